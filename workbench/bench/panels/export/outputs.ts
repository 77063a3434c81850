// The outputs of the recipe: files for screen and paper beside the picture, each with its settings.

import { button, make } from "../../page/shared/dom"
import type { ExportState, OutputField, OutputSettings } from "./state"

type Act = (name: string, args: Record<string, unknown>) => unknown

export class OutputList {
  readonly element = make("div", { class: "wt-outputs" })
  #shown = ""
  #open = new Set<string>()
  #act: Act

  constructor(act: Act) {
    this.#act = act
  }

  update({ outputs = [], presets = [] }: Pick<Partial<ExportState>, "outputs" | "presets">): void {
    const shown = JSON.stringify([outputs, presets])
    if (shown === this.#shown) return
    this.#shown = shown
    const focused = (this.element.getRootNode() as Document | ShadowRoot).activeElement?.getAttribute("aria-label")
    const more = presets.filter((name) => !outputs.some((output) => output.name === name))
    this.element.replaceChildren(
      ...outputs.map((output) => this.#one(output)),
      make(
        "div",
        { class: "wt-group" },
        ...more.map((name) => button(`Add: ${name}`, () => this.#act("put_output", { name }))),
      ),
    )
    if (focused) this.element.querySelector<HTMLElement>(`[aria-label=${JSON.stringify(focused)}]`)?.focus()
  }

  #one({ name, words, fields }: OutputSettings): HTMLElement {
    const details = make("details", { class: "wt-output", open: this.#open.has(name) })
    details.addEventListener("toggle", () => this.#open[details.open ? "add" : "delete"](name))
    details.append(
      make("summary", {}, words),
      make("div", { class: "wt-output-fields" }, ...fields.map((field) => this.#field(name, field))),
      button("Remove this output", () => this.#act("remove_output", { name })),
    )
    return details
  }

  #field(output: string, field: OutputField): HTMLElement {
    const words = `${output}: ${field.label}`
    const tell = (value: unknown) => this.#act("put_output", { name: output, [field.name]: value })
    const control = field.kind === "choice" ? choice(field, words, tell) : entry(field, words, tell)
    const unit = field.unit ? make("span", { class: "wt-soft" }, field.unit) : ""
    return make("label", { class: "wt-group", title: field.help }, field.label, control, unit)
  }
}

function choice({ choices = [], value }: OutputField, words: string, tell: (value: unknown) => void): HTMLElement {
  const select = make(
    "select",
    { class: "wt-select", "aria-label": words },
    ...choices.map(([option, label]) => make("option", { value: String(option) }, label)),
  )
  select.value = String(value)
  select.addEventListener("change", () => tell(select.value))
  return select
}

function entry({ kind, value, optional }: OutputField, words: string, tell: (value: unknown) => void): HTMLElement {
  const type = kind === "switch" ? "checkbox" : kind === "text" ? "text" : "number"
  const input = make("input", { type, class: kind === "switch" ? "" : "wt-input", "aria-label": words })
  if (type === "number") input.step = "any"
  if (kind === "switch") input.checked = Boolean(value)
  else input.value = value === null ? "" : String(value)
  input.addEventListener("change", () => {
    if (kind === "switch") return tell(input.checked)
    if (kind === "text") return tell(input.value)
    if (input.value || optional) tell(input.value ? input.valueAsNumber : null)
  })
  return input
}
