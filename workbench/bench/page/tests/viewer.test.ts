import { describe, expect, it } from "vitest"
import { covers } from "../../panels/viewer/closeups"
import { dragged } from "../../panels/viewer/rectangle"
import { View } from "../../panels/viewer/view"
import { readoutWords } from "../../panels/viewer/words"

/** A frame of 3000 x 2000 on a stage of 1028 x 728 with a mat of 14. */
function fitted(): View {
  const view = new View()
  view.setStage(1028, 728, 14)
  view.setFrame(3000, 2000)
  return view
}

describe("the view", () => {
  it("fits the frame inside the mat, in the middle", () => {
    const view = fitted()
    expect(view.zoom).toBeCloseTo(1 / 3)
    expect(view.toStage(0, 0)[0]).toBeCloseTo(14)
    expect(view.toStage(1500, 1000)).toEqual([514, 364])
  })

  it("enlarges a small frame by a whole number", () => {
    const view = new View()
    view.setStage(1000, 800, 0)
    view.setFrame(100, 80)
    expect(view.zoom).toBe(8)
    view.setFrame(300, 250)
    expect(view.zoom).toBe(3)
    view.setFrame(900, 700)
    expect(view.zoom).toBe(1)
  })

  it("keeps what lies under the pointer there while it zooms", () => {
    const view = fitted()
    const before = view.toFrame(600, 400)
    view.zoomAround(2, 600, 400)
    expect(view.toFrame(600, 400)[0]).toBeCloseTo(before[0])
    expect(view.toFrame(600, 400)[1]).toBeCloseTo(before[1])
    expect(view.fitted).toBe(false)
  })

  it("shows no gap beyond the mat", () => {
    const view = fitted()
    view.zoomAround(1, 514, 364)
    view.panBy(9999, 9999)
    expect(view.toStage(0, 0)).toEqual([14, 14])
  })

  it("says round ratios", () => {
    const view = fitted()
    expect(view.words).toBe("fit · 33.3 %")
    view.zoomAround(2, 0, 0)
    expect(view.words).toBe("2:1")
    view.zoomAround(0.5, 0, 0)
    expect(view.words).toBe("1:2")
  })

  it("climbs from rung to rung", () => {
    const view = fitted()
    expect(view.rung(1)).toBe(0.5)
    expect(view.rung(-1)).toBeCloseTo(1 / 3)
    expect(view.rung(1, 8)).toBe(8)
  })
})

it("a close-up covers what it is not smaller or coarser than", () => {
  const seen = { x0: 10, y0: 10, width: 100, height: 80 }
  expect(covers({ x0: 0, y0: 0, width: 200, height: 200 }, seen)).toBe(true)
  expect(covers({ x0: 11, y0: 0, width: 200, height: 200 }, seen)).toBe(false)
  expect(covers({ x0: 0, y0: 0, width: 200, height: 200, block: 2 }, seen)).toBe(false)
  expect(covers(undefined, seen)).toBe(false)
})

describe("a dragged rectangle", () => {
  const frame = { width: 100, height: 80 }
  const rect = { x0: 10, y0: 10, x1: 40, y1: 30 }

  it("stays in the frame when it is moved", () => {
    expect(dragged(rect, "move", -50, 500, frame)).toEqual({ x0: 0, x1: 30, y0: 60, y1: 80 })
  })

  it("never turns inside out", () => {
    expect(dragged(rect, "nw", 99, 99, frame)).toEqual({ x0: 39, y0: 29, x1: 40, y1: 30 })
  })
})

it("the readout says where and what", () => {
  const probe = { x: 3, y: 4, linear: [0.1, 0.2, 0.3], display: [0.5, 0.6, 0.7], star: { fwhm_px: 3, distance: 1 } }
  expect(readoutWords(probe, "before: ")).toBe(
    "before: column 3, row 4  ·  star FWHM 3 px, 1 px away\n" +
      "linear R 0.1  G 0.2  B 0.3  ·  display R 0.5  G 0.6  B 0.7",
  )
})
