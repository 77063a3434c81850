// The line between the picture and the panels beside it: dragged or moved by keys it makes them wider or narrower, and
// a double click or Enter folds them away and back.

import { benchOf } from "./bench"
import { attribute, make } from "./dom"
import { slidTo } from "./keys"
import { clamp } from "./numbers"
import { remember, remembered } from "./remembered"

const LEAST = 220 // CSS pixels of the panels
const PICTURE = 320 // and of the picture, at least
const WIDTH = "side-width"
const FOLDED = "side-folded"

/** Put the line into the bench around `root`. */
export function divideRoom(root: HTMLElement, signal: AbortSignal): void {
  const bench = benchOf(root)
  const row = bench?.querySelector<HTMLElement>(":scope > .wt-bench-row")
  const side = row?.querySelector<HTMLElement>(":scope > .wt-bench-side")
  if (!bench || !row || !side) return
  const line = make("div", {
    class: "wt wt-room-line",
    role: "separator",
    tabindex: "0",
    "aria-orientation": "vertical",
    "aria-label": "Width of the panels beside the picture; Enter folds them",
    title: "drag to make room; double click folds the panels beside the picture and brings them back",
  })
  const isFolded = () => bench.dataset.folded !== undefined
  const most = () => Math.max(LEAST, row.clientWidth - PICTURE)
  const widthNow = () => (isFolded() ? 0 : Math.round(side.getBoundingClientRect().width))
  const told = () => {
    const [now, top] = [widthNow(), most()]
    for (const [name, value] of Object.entries({ valuemin: 0, valuemax: top, valuenow: Math.min(now, top) }))
      attribute(line, `aria-${name}`, value)
    attribute(line, "aria-valuetext", isFolded() ? "folded away" : `${now} pixels wide`)
  }
  const setWidth = (width: number) => {
    const kept = Math.round(clamp(width, LEAST, most()))
    bench.style.setProperty("--wt-side", `${kept}px`)
    remember(WIDTH, String(kept))
    told()
  }
  const fold = (on: boolean) => {
    attribute(bench, "data-folded", on)
    remember(FOLDED, on ? "yes" : null)
    told()
  }
  const drag = (event: PointerEvent) => {
    if (!line.hasPointerCapture(event.pointerId)) return
    const width = row.getBoundingClientRect().right - event.clientX
    if (width < LEAST / 2) return fold(true)
    fold(false)
    setWidth(width)
  }
  const options = { signal }
  line.addEventListener(
    "pointerdown",
    (event) => {
      line.setPointerCapture(event.pointerId)
      line.focus({ preventScroll: true })
      event.preventDefault()
    },
    options,
  )
  line.addEventListener("pointermove", drag, options)
  line.addEventListener("dblclick", () => fold(!isFolded()), options)
  line.addEventListener(
    "keydown",
    (event) => {
      if (event.key === "Enter") fold(!isFolded())
      else {
        // To the left is wider, as the line goes.
        const to = slidTo(event, -widthNow(), { min: -most(), max: -LEAST, step: 16, big: 80 })
        if (to === null) return
        fold(false)
        setWidth(-to)
      }
      event.preventDefault()
      event.stopPropagation()
    },
    options,
  )
  row.insertBefore(line, side)
  signal.addEventListener("abort", () => line.remove(), { once: true })
  const width = Number(remembered(WIDTH))
  if (width) setWidth(width)
  if (remembered(FOLDED)) fold(true)
  const observer = new ResizeObserver(told)
  observer.observe(row)
  signal.addEventListener("abort", () => observer.disconnect(), { once: true })
}
