// The line over the histogram that a setting moves: pulled or moved by keys, and where it stands.

import { attribute, make } from "../../page/shared/dom"
import { slidTo } from "../../page/shared/keys"
import { clamp, plainNumber } from "../../page/shared/numbers"
import { Held } from "./held"
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

export class SettingLine {
  /** What was measured last: where the line is, its setting's zero and unit in light, the curve. */
  measured: Measured | null = null
  #bench: HistogramPlot
  readonly #held: Held<number>
  readonly #words = make("span", { class: "wt-line-word wt-figures" })
  readonly element = make(
    "div",
    { class: "wt-line", role: "slider", tabindex: "0", hidden: true, "aria-label": "Line" },
    this.#words,
  )

  constructor(bench: HistogramPlot) {
    this.#bench = bench
    this.#held = new Held(bench)
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
    for (const name of ["pointerup", "pointercancel", "keyup", "blur"] as const)
      on(name, () => this.#held.release(this.#bench.state.line))
    on("keydown", (event) => this.#press(event))
  }

  /** What moves when the line moves: a setting, and how its values lie on the light; null where nothing does. */
  get #movable(): { setting: LineSetting; zero: number; perUnit: number } | null {
    const { line } = this.#bench.state
    return line && this.measured?.perUnit ? { setting: line, ...this.measured } : null
  }

  get #value(): number | null {
    return this.#held.value ?? this.#bench.state.line?.value ?? null
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
    this.#held.move(Number(clamp(value, setting.min, setting.max).toPrecision(3)), setting)
    this.#bench.update()
  }

  // -- standing -----------------------------------------------------------------------------------

  stateChanged(): void {
    this.#held.shown(this.#bench.state.line?.value ?? null)
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
    const light = this.#held.value === null && !old ? at : zero + perUnit * (this.#value ?? 0)
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
