// The line over the histogram that a setting moves: pulled or moved by keys, and where it stands.

import { ask, type Forgettable, newestOnly } from "../../page/shared/ask"
import { attribute, make } from "../../page/shared/dom"
import { slidTo } from "../../page/shared/keys"
import { clamp, plainNumber } from "../../page/shared/numbers"
import type { HistogramPlot } from "./plot"
import type { Curve, HistogramState, LineSetting } from "./state"

interface Measured {
  at: number
  zero: number
  perUnit: number
  curve: Curve | null
  /** New ones are awaited. */
  old: boolean
}

/** A value on its way to the kernel. */
interface Move {
  live: boolean
  value: number
  setting: LineSetting
}

export class SettingLine {
  /** What was measured last: where the line is, its setting's zero and unit in light, the curve. */
  measured: Measured | null = null
  #bench: HistogramPlot
  #set: Forgettable<[Move]>
  #pulled: number | null = null // setting value while the line is pulled
  #released = false // let go, and the kernel has not taken the value yet
  readonly #words = make("span", { class: "wt-line-word wt-figures" })
  readonly element = make(
    "div",
    { class: "wt-line", role: "slider", tabindex: "0", hidden: true, "aria-label": "Line" },
    this.#words,
  )

  constructor(bench: HistogramPlot) {
    this.#bench = bench
    this.#set = newestOnly(({ live, value, setting }: Move) => this.#tell(live, value, setting))
    bench.signal.addEventListener("abort", () => this.#set.forget())
    this.#listen()
  }

  #listen() {
    const line = this.element
    const on = <Name extends keyof HTMLElementEventMap>(
      name: Name,
      react: (event: HTMLElementEventMap[Name]) => void,
    ) => line.addEventListener(name, react, { signal: this.#bench.signal })
    on("pointerdown", (event) => {
      if (!this.#movable) return
      line.setPointerCapture(event.pointerId)
      line.focus({ preventScroll: true })
      event.preventDefault()
    })
    on("pointermove", (event) => {
      if (line.hasPointerCapture(event.pointerId)) this.#pull(event.clientX)
    })
    for (const name of ["pointerup", "pointercancel", "keyup", "blur"] as const) on(name, () => this.#release())
    on("keydown", (event) => this.#press(event))
  }

  /** What moves when the line moves: a setting, and how its values lie on the light; null where nothing does. */
  get #movable(): { setting: LineSetting; zero: number; perUnit: number } | null {
    const { line } = this.#bench.state
    return line && this.measured?.perUnit ? { setting: line, ...this.measured } : null
  }

  get #value(): number | null {
    return this.#pulled ?? this.#bench.state.line?.value ?? null
  }

  // -- moving -------------------------------------------------------------------------------------

  #pull(clientX: number) {
    const moved = this.#movable
    if (moved) this.#moveTo((this.#bench.lightAt(clientX) - moved.zero) / moved.perUnit, moved.setting)
  }

  #press(event: KeyboardEvent) {
    const moved = this.#movable
    const value = this.#value
    if (!moved || value === null) return
    const { min, max } = moved.setting
    // Arrows follow the eye: to the right is brighter, whichever way the setting counts.
    const toRight = Math.sign(moved.perUnit) || 1
    const step = Math.max(Math.abs(value) * 0.02, 0.1)
    const signed = slidTo(event, value * toRight, {
      min: toRight > 0 ? min : -max,
      max: toRight > 0 ? max : -min,
      step,
    })
    if (signed === null) return
    event.preventDefault()
    event.stopPropagation()
    this.#moveTo(signed * toRight, moved.setting)
  }

  #moveTo(value: number, setting: LineSetting) {
    this.#released = false
    this.#pulled = Number(clamp(value, setting.min, setting.max).toPrecision(3))
    this.#set({ live: true, value: this.#pulled, setting })
    this.#bench.update()
  }

  #release() {
    if (this.#pulled === null || this.#released) return
    this.#released = true
    const { line } = this.#bench.state
    if (line) this.#set({ live: false, value: this.#pulled, setting: line })
  }

  async #tell(live: boolean, value: number, setting: LineSetting) {
    const { model, status } = this.#bench
    try {
      await ask(model, "set", { index: setting.index, live, [setting.name]: value }, { patience: 30 })
      status.clear()
    } catch (error) {
      status.fail(error)
      if (live) return
      this.#letGo()
      this.#bench.update()
    }
  }

  #letGo() {
    this.#pulled = null
    this.#released = false
  }

  // -- standing -----------------------------------------------------------------------------------

  /** The line stays in the hand until the kernel shows the value that was let go. */
  stateChanged(): void {
    const { line } = this.#bench.state
    if (this.#released && (!line || line.value === this.#pulled)) this.#letGo()
  }

  /** While the step is being measured anew, the last line and curve stay. */
  remember({ line, line_at: at, line_zero: zero, line_per_unit: perUnit, curve }: HistogramState): void {
    if (at !== null && at !== undefined)
      this.measured = { at, zero: zero ?? 0, perUnit: perUnit ?? 0, curve: curve ?? null, old: false }
    else if (!line) this.measured = null
    else if (this.measured) this.measured.old = true
  }

  /** Put the line where it belongs; `x` leads from light to a place between `left` and `right`. */
  place(linear: boolean, x: (light: number) => number, left: number, right: number): void {
    const { element, measured } = this
    element.hidden = !linear || !measured
    if (!linear || !measured) return
    const { line, line_label: label = "", line_aria: aria = "" } = this.#bench.state
    const { at, zero, perUnit, old } = measured
    const light = this.#pulled === null && !old ? at : zero + perUnit * (this.#value ?? 0)
    const place = clamp(x(light), left, right)
    element.style.left = `${place}px`
    element.classList.toggle("wt-near-edge", place < left + 90)
    const setting = line ? [plainNumber(this.#value), line.unit, line.words].filter(Boolean).join(" ") : ""
    this.#words.textContent = `${label} ${plainNumber(light)}`
    attribute(element, "aria-label", aria)
    attribute(element, "aria-disabled", this.#movable ? null : "true")
    attribute(element, "aria-valuenow", plainNumber(this.#value ?? light))
    attribute(element, "aria-valuemin", line?.min ?? 0)
    attribute(element, "aria-valuemax", line?.max ?? 1)
    const says = `${label} at ${plainNumber(light)} of the white level${setting ? `, set to ${setting}` : ""}`
    attribute(element, "aria-valuetext", says)
    element.title = setting
  }
}
