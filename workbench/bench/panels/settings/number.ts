// A number: a slider where the range is known, and an entry for the exact value.

import { attribute, make } from "../../page/shared/dom"
import { clamp } from "../../page/shared/numbers"
import type { Control, Give, Ids } from "./control"
import type { NumberField } from "./state"

const SLIDER = 400 // places of a slider that is not linear

interface Scale {
  /** The value at a place 0..1 of the slider, and the place of a value. */
  to: (place: number) => number
  from: (value: number) => number
}

/** Between values and places on a slider; null where there is no range for one. */
export function sliderScale({ scale, low, high }: Pick<NumberField, "scale" | "low" | "high">): Scale | null {
  if (low === null || high === null) return null
  if (scale === "log") {
    const decades = Math.log(high / low)
    return {
      to: (place) => low * Math.exp(decades * place),
      from: (value) => Math.log(Math.max(value, low) / low) / decades,
    }
  }
  if (scale === "root")
    return { to: (place) => high * place ** 3, from: (value) => Math.cbrt(Math.max(value, 0) / high) }
  return { to: (place) => low + (high - low) * place, from: (value) => (value - low) / (high - low) }
}

/** As many digits as the slider's step is worth: 0.37 of steps of 0.01, three significant ones on curved scales. */
export function rounded(value: number, { kind, scale, step }: Pick<NumberField, "kind" | "scale" | "step">): number {
  if (kind === "integer") return Math.round(value)
  if (scale !== "linear") return Number(value.toPrecision(3))
  return Number((Math.round(value / step) * step).toPrecision(12))
}

/** A number as it stands in its entry. */
export const entryWords = (value: number | null | undefined): string =>
  value === null || value === undefined ? "" : String(Number(value.toPrecision(10)))

/** What a person typed as a number, a comma taken as the decimal point; NaN where it is none. */
export function typedNumber(text: string): number {
  const plain = text
    .trim()
    .replace(/[\s\u202f']/g, "")
    .replace(",", ".")
  return plain === "" ? NaN : Number(plain)
}

export function numberControl(field: NumberField, give: Give, ids: Ids): Control<NumberField> {
  const scale = sliderScale(field)
  return scale ? sliderControl(field, scale, give, ids) : entryControl(field, give, ids)
}

const limited = (value: number, { min, max }: NumberField): number => clamp(value, min ?? -Infinity, max ?? Infinity)

/** An entry alone. */
function entryControl(field: NumberField, give: Give, ids: Ids): Control<NumberField> {
  let now = field
  const nudge = (by: number) => limited((now.value ?? now.start) + by * now.step, now)
  const get = () => now
  const entry = numberEntry({ ...ids, label: field.label, get, give: (value) => give(false, value), nudge })
  return {
    side: entry.element,
    focus: () => entry.input.focus(),
    update(next) {
      now = next
      entry.input.disabled = next.value === null
      entry.show(next.value)
    },
  }
}

/** A slider and an entry. */
function sliderControl(field: NumberField, scale: Scale, give: Give, ids: Ids): Control<NumberField> {
  let now = field
  let held: number | null = null // the value in the hand
  let keyDown = false
  const range = (field.high ?? 0) - (field.low ?? 0)
  const places = field.scale === "linear" ? Math.max(1, Math.round(range / field.step)) : SLIDER

  const nudge = (by: number) => {
    const value = now.value ?? now.start
    if (now.scale === "linear") return limited(rounded(value + by * now.step, now), now)
    const next = rounded(scale.to(clamp(scale.from(value) + by / 100, 0, 1)), now)
    return limited(next === value ? value + Math.sign(by) * (now.kind === "integer" ? 1 : 0) : next, now)
  }
  const get = () => now
  const entry = numberEntry({ ...ids, label: field.label, get, give: (value) => give(false, value), nudge })
  const slider = make("input", {
    type: "range",
    class: "wt-slider",
    "aria-label": field.label,
    "aria-describedby": ids.help,
  })
  const show = (value: number | null) => {
    entry.show(value)
    const place = value === null ? 0 : clamp(scale.from(value), 0, 1)
    slider.value = String(Math.round(place * places))
    slider.style.setProperty("--wt-share", String(place))
    attribute(slider, "aria-valuetext", `${entryWords(value)} ${now.unit}`.trim())
  }
  const commit = async () => {
    if (held === null || keyDown) return
    const value = held
    await give(false, value)
    if (held !== value) return
    held = null
    show(now.value)
  }
  const letGo = () => {
    keyDown = false
    void commit()
  }
  attribute(slider, "max", places)
  slider.addEventListener("input", () => {
    held = rounded(scale.to(slider.valueAsNumber / places), now)
    show(held)
    void give(true, held)
  })
  // A key held down repeats: it is one movement that ends when the key is let go.
  slider.addEventListener("keydown", ({ key }) => (keyDown ||= key.startsWith("Arrow") || key.startsWith("Page")))
  slider.addEventListener("keyup", letGo)
  slider.addEventListener("blur", letGo)
  slider.addEventListener("change", () => void commit())
  slider.addEventListener("pointerdown", () => (keyDown = false))
  return {
    main: slider,
    side: entry.element,
    focus: () => slider.focus(),
    update(next) {
      now = next
      for (const each of [slider, entry.input]) each.disabled = next.value === null
      if (held === null) show(next.value)
    },
  }
}

/** The value as it is now, and what may be said of it. */
type Entered = { value: number | null } & Partial<Pick<NumberField, "min" | "max" | "unit">>

interface Entry {
  input: HTMLInputElement
  element: HTMLElement
  show: (value: number | null) => void
}

interface EntryParts {
  id: string | null
  help: string
  label: string
  get: () => Entered
  give: (value: number) => Promise<unknown>
  /** The value after some steps up or down. */
  nudge?: (by: number) => number
}

/** An entry for an exact number: Enter or leaving takes it, Escape puts the old one back, arrows nudge. */
export function numberEntry({ id, help, label, get, give, nudge }: EntryParts): Entry {
  const input = make("input", {
    id,
    type: "text",
    inputmode: "decimal",
    class: "wt-input wt-entry wt-figures",
    role: "spinbutton",
    "aria-label": label,
    "aria-describedby": help,
    autocomplete: "off",
    spellcheck: "false",
  })
  const unit = make("span", { class: "wt-unit" })
  let written = false
  const take = async () => {
    if (!written) return
    written = false
    const value = typedNumber(input.value)
    if (!Number.isNaN(value)) await give(value)
    show(get().value)
  }
  const show = (value: number | null) => {
    const now = get()
    if (!written) input.value = entryWords(value)
    attribute(input, "aria-valuenow", value)
    attribute(input, "aria-valuetext", value === null ? "automatic" : `${entryWords(value)} ${now.unit ?? ""}`.trim())
    attribute(input, "aria-valuemin", now.min)
    attribute(input, "aria-valuemax", now.max)
    input.title = rangeWords(now)
    unit.textContent = now.unit ?? ""
  }
  input.addEventListener("input", () => (written = true))
  input.addEventListener("blur", () => void take())
  input.addEventListener("focus", () => input.select())
  input.addEventListener("keydown", (event) => {
    const moves: Record<string, number> = { ArrowUp: 1, ArrowDown: -1, PageUp: 10, PageDown: -10 }
    const by = moves[event.key]
    if (event.key === "Enter") void take()
    else if (event.key === "Escape" && written) {
      written = false
      show(get().value)
    } else if (by !== undefined && nudge && get().value !== null) {
      written = false
      void give(nudge(event.shiftKey ? 10 * by : by))
    } else return
    event.preventDefault()
    event.stopPropagation()
  })
  return { input, element: make("span", { class: "wt-entry-with-unit" }, input, unit), show }
}

/** What is allowed, in words. */
export function rangeWords({ min, max, unit }: Partial<Entered>): string {
  const [least, most] = [entryWords(min), entryWords(max)]
  const range = least && most ? `${least} to ${most}` : least ? `${least} or more` : most ? `at most ${most}` : ""
  return `${range} ${range ? (unit ?? "") : ""}`.trim()
}
