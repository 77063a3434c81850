// Close up, a small map of the whole picture shows which part is seen; a press or a drag on it leads there.

import { make } from "../../page/shared/dom"
import type { PictureBench } from "./picture"

const SIZE = 132 // CSS pixels along the longer side

export interface OverviewMap {
  element: HTMLCanvasElement
  paint: () => void
}

export function makeMap(bench: PictureBench): OverviewMap {
  const label = "The part that is seen, in the whole picture"
  const element = make("canvas", { class: "wt-map", role: "img", "aria-label": label, hidden: true })
  const goTo = (event: PointerEvent) => {
    const box = element.getBoundingClientRect()
    const { view } = bench
    bench.glide.stop()
    view.centreOn(
      ((event.clientX - box.left) / box.width) * view.frame.width,
      ((event.clientY - box.top) / box.height) * view.frame.height,
    )
    bench.moved()
  }
  const { signal } = bench
  element.addEventListener(
    "pointerdown",
    (event) => {
      element.setPointerCapture(event.pointerId)
      goTo(event)
      event.preventDefault()
    },
    { signal },
  )
  element.addEventListener(
    "pointermove",
    (event) => {
      if (element.hasPointerCapture(event.pointerId)) goTo(event)
    },
    { signal },
  )
  const paint = () => {
    const { view, frames, unit } = bench
    const { fit } = frames.now
    const seen = view.visible()
    const part = seen && (seen.width < view.frame.width || seen.height < view.frame.height)
    element.hidden = !fit || !part || view.fitted
    if (!fit || !seen || element.hidden) return
    const scale = (SIZE * unit) / Math.max(view.frame.width, view.frame.height)
    const [width, height] = [view.frame.width, view.frame.height].map((length) =>
      Math.max(1, Math.round(length * scale)),
    )
    if (element.width !== width || element.height !== height) [element.width, element.height] = [width, height]
    element.style.width = `${width / unit}px`
    element.style.height = `${height / unit}px`
    const context = element.getContext("2d", { alpha: false })
    if (!context) return
    context.imageSmoothingQuality = "high"
    context.drawImage(fit.image, 0, 0, width, height)
    const box: [number, number, number, number] = [seen.x0, seen.y0, seen.width, seen.height].map(
      (v) => v * scale,
    ) as never
    context.fillStyle = "rgb(16 14 12 / 0.55)"
    const rest = new Path2D()
    rest.rect(0, 0, width, height)
    rest.rect(...box)
    context.fill(rest, "evenodd")
    context.strokeStyle = "#ffe3a3"
    context.lineWidth = 1.5 * unit
    context.strokeRect(...box)
  }
  return { element, paint }
}
