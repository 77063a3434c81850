// Points of a curve over the counts of a picture: set by a click, pulled, moved by keys, taken away.

import { attribute, make, makeSvg } from "../../page/shared/dom"
import { clamp, plainNumber } from "../../page/shared/numbers"
import { Held } from "./held"
import type { HistogramPlot } from "./plot"
import type { Curve, ToneSetting } from "./state"

const APART = 0.004 // neighboring points keep this distance, so that the curve can be pulled no steeper than upright
const STEP = 0.005

type Place = (value: number) => number

export class CurvePoints {
  #bench: HistogramPlot
  readonly #held: Held<Curve>
  #x: Place = () => 0
  #y: Place = () => 0
  readonly element = make("div", { class: "wt-points", hidden: true })

  constructor(bench: HistogramPlot) {
    this.#bench = bench
    this.#held = new Held(bench, (points) => points.map(([x, y]) => ({ x, y })))
    this.element.addEventListener("pointerdown", (event) => this.#press(event), { signal: bench.signal })
  }

  get #setting(): ToneSetting | null {
    return this.#bench.state.tone ?? null
  }

  get #points(): Curve {
    return this.#held.value ?? this.#setting?.points ?? []
  }

  // -- moving -------------------------------------------------------------------------------------

  /** Set a point where the plot is pressed, and take it in hand. */
  #press(event: PointerEvent) {
    const setting = this.#setting
    if (!setting || event.target !== this.element || event.button !== 0 || this.#points.length >= setting.most) return
    event.preventDefault()
    const [x, y] = this.#bench.valueAt(event.clientX, event.clientY)
    const points = this.#points
    const number = points.filter(([other]) => other < x).length
    const [low, high] = room(points, number - 1, number)
    if (high[0] < low[0]) return
    const placed: [number, number] = [clamp(x, low[0], high[0]), clamp(y, low[1], high[1])]
    this.#held.move([...points.slice(0, number), rounded(placed), ...points.slice(number)], setting)
    this.#bench.update()
    const handle = this.element.querySelectorAll<HTMLElement>(".wt-point")[number]
    handle?.focus({ preventScroll: true })
    handle?.setPointerCapture(event.pointerId)
  }

  #handle(number: number): HTMLElement {
    const { signal } = this.#bench
    const handle = make("div", { class: "wt-point", role: "button", tabindex: "0" })
    const pull = (event: PointerEvent) => {
      if (handle.hasPointerCapture(event.pointerId))
        this.#moveTo(number, this.#bench.valueAt(event.clientX, event.clientY))
    }
    handle.addEventListener(
      "pointerdown",
      (event) => {
        handle.setPointerCapture(event.pointerId)
        handle.focus({ preventScroll: true })
        event.preventDefault()
        event.stopPropagation()
      },
      { signal },
    )
    handle.addEventListener("pointermove", pull, { signal })
    for (const name of ["pointerup", "pointercancel", "keyup"] as const)
      handle.addEventListener(name, () => this.#held.release(this.#setting), { signal })
    handle.addEventListener("keydown", (event) => this.#key(event, number), { signal })
    return handle
  }

  #key(event: KeyboardEvent, number: number) {
    const by = event.shiftKey ? 10 * STEP : STEP
    const moves: Record<string, [number, number]> = {
      ArrowLeft: [-by, 0],
      ArrowRight: [by, 0],
      ArrowUp: [0, by],
      ArrowDown: [0, -by],
    }
    const move = moves[event.key]
    if (event.key === "Delete" || event.key === "Backspace") {
      const left = this.#points.filter((_, i) => i !== number)
      this.#held.release(this.#setting, left)
      this.#bench.update()
      this.element.querySelectorAll<HTMLElement>(".wt-point")[Math.min(number, left.length - 1)]?.focus()
    } else if (move && !event.ctrlKey && !event.metaKey && !event.altKey) {
      const [x, y] = this.#points[number]
      this.#moveTo(number, [x + move[0], y + move[1]])
    } else return
    event.preventDefault()
    event.stopPropagation()
  }

  #moveTo(number: number, [x, y]: [number, number]) {
    const points = this.#points
    const setting = this.#setting
    if (!setting || number >= points.length) return
    const [low, high] = room(points, number - 1, number + 1)
    const moved = rounded([clamp(x, low[0], high[0]), clamp(y, low[1], high[1])])
    this.#held.move(
      points.map((point, i) => (i === number ? moved : point)),
      setting,
    )
    this.#bench.update()
  }

  // -- standing -----------------------------------------------------------------------------------

  stateChanged(): void {
    this.#held.shown(this.#setting?.points ?? null)
  }

  /** Put the points where they belong; `x` and `y` lead from values 0..1 to places on the plot. */
  place(shown: boolean, x: Place, y: Place): void {
    const setting = this.#setting
    this.element.hidden = !shown || !setting
    if (!shown || !setting) return
    this.#x = x
    this.#y = y
    const points = this.#points
    const handles = [...this.element.querySelectorAll<HTMLElement>(".wt-point")]
    for (const extra of handles.slice(points.length)) extra.remove()
    points.forEach(([before, after], i) => {
      const handle = handles[i] ?? this.element.appendChild(this.#handle(i))
      handle.style.left = `${this.#x(before)}px`
      handle.style.top = `${this.#y(after)}px`
      const says = `${setting.item} ${i + 1} of ${points.length}: ${plainNumber(before)} becomes ${plainNumber(after)}`
      attribute(handle, "aria-label", says)
      handle.title = `${plainNumber(before)} becomes ${plainNumber(after)}; arrows move, Delete takes away`
    })
    this.element.title = points.length ? "" : setting.help
  }

  /** The curve and the diagonal, to be drawn. */
  drawn(x: Place, y: Place): SVGPathElement[] {
    const setting = this.#setting
    if (!setting) return []
    const path = (points: Curve) =>
      `M${points.map(([before, after]) => `${x(before).toFixed(1)} ${y(after).toFixed(1)}`).join("L")}`
    const diagonal: Curve = [
      [0, 0],
      [1, 1],
    ]
    return [
      makeSvg("path", { class: "wt-diagonal", d: path(diagonal) }),
      makeSvg("path", { class: `wt-curve${this.#held.value ? " wt-old" : ""}`, d: path(setting.curve) }),
    ]
  }
}

/** Lowest and highest place of a point between two others, so that the curve never falls. */
function room(points: Curve, before: number, after: number): [[number, number], [number, number]] {
  const left = points[before]
  const right = points[after]
  return [left ? [left[0] + APART, left[1]] : [0, 0], right ? [right[0] - APART, right[1]] : [1, 1]]
}

const rounded = ([x, y]: [number, number]): [number, number] => [Number(x.toFixed(4)), Number(y.toFixed(4))]
