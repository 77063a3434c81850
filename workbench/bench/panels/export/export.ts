// Export: picture, recipe, run record and step sheet as files.

import { attribute, button, make } from "../../page/shared/dom"
import { DrawerPanel } from "../../page/shared/drawer"
import type { Model } from "../../page/shared/model"
import { clamp, plainWords } from "../../page/shared/numbers"
import type { Mount } from "../../page/shared/panel"
import { OutputList } from "./outputs"
import { SoftProof } from "./proof"
import type { ExportState, Format, FormatNumber } from "./state"

const suffixOf = (path: string) => (/\.[a-z0-9]+$/i.exec(path)?.[0] ?? "").toLowerCase()

export class ExportDrawer extends DrawerPanel<ExportState> {
  #stem: string | null = null
  readonly replace = make("input", { type: "checkbox" })
  readonly format = make("select", { class: "wt-select", "aria-label": "Format of the picture" })
  readonly numbers = make("span", { class: "wt-group" })
  readonly rows = make("div", { class: "wt-save-rows" })
  readonly picture = this.#row(
    "Picture",
    "Save the picture",
    "save_picture",
    () => this.#options(),
    make("div", { class: "wt-group" }, this.format, this.numbers),
    true,
  )
  readonly layers = this.#layersRow()
  readonly outputs = this.#outputsRow()
  readonly grid = make("input", { type: "checkbox", checked: "" })
  readonly names = make("input", { type: "checkbox", checked: "" })
  readonly labelled = this.#rowParts(
    "Labelled copy",
    "Save the labelled copy",
    "save_labelled",
    () => ({ grid: this.grid.checked, names: this.names.checked }),
    make(
      "div",
      { class: "wt-group" },
      make("label", { class: "wt-group" }, this.names, "names"),
      make("label", { class: "wt-group" }, this.grid, "north and grid"),
      make("span", { class: "wt-soft" }, "a name in .svg gets the labels alone"),
    ),
  )
  readonly proof = this.#proofRow()
  readonly recipe = this.#row("Recipe", "Save the recipe", "save_recipe")
  readonly record = this.#row("Run record", "Save the record", "save_record")
  readonly sheet = this.#row(
    "Step sheet",
    "Write the sheet",
    "save_sheet",
    undefined,
    make("span", { class: "wt-soft" }, ".html is a page to read and print, .ipynb a notebook to run and teach with"),
  )
  readonly list = make("ul", { class: "wt-saved" })

  constructor(model: Model<ExportState>, mount: Mount) {
    super("export", model, mount)
    this.format.addEventListener("change", () => this.#formatChosen())
    this.picture.addEventListener("input", () => this.#nameTyped())
    this.build(this.rows, make("label", { class: "wt-group" }, this.replace, "replace a file that exists"), this.list)
  }

  #row(
    what: string,
    words: string,
    name: string,
    options: () => Record<string, unknown> = () => ({}),
    more: HTMLElement | null = null,
    main = false,
  ): HTMLInputElement {
    return this.#rowParts(what, words, name, options, more, main).path
  }

  #rowParts(
    what: string,
    words: string,
    name: string,
    options: () => Record<string, unknown>,
    more: HTMLElement | null,
    main = false,
  ): { path: HTMLInputElement; parts: HTMLElement[] } {
    const path = make("input", {
      class: "wt-input wt-figures",
      type: "text",
      "aria-label": `File of the ${what.toLowerCase()}`,
      spellcheck: "false",
      autocomplete: "off",
    })
    const save = () => this.act(name, { path: path.value.trim(), overwrite: this.replace.checked, ...options() })
    const press = button(words, save, main ? { class: "wt-button wt-main" } : {})
    path.addEventListener("keydown", (event) => event.key === "Enter" && void save())
    const parts = [make("span", { class: "wt-label" }, what), make("div", { class: "wt-save-file" }, path, more), press]
    this.rows.append(...parts)
    return { path, parts }
  }

  /** Starless picture and stars go beside the picture, in its format. */
  #layersRow(): { parts: HTMLElement[]; names: HTMLElement } {
    const save = () =>
      this.act("save_layers", {
        path: this.picture.value.trim(),
        overwrite: this.replace.checked,
        ...this.#options(),
      })
    const names = make("span", { class: "wt-soft wt-figures" })
    const title = "as they are before the stars are joined again; 32-bit float files keep all of their light"
    const parts = [make("span", { class: "wt-label" }, "Layers"), names, button("Save the layers", save, { title })]
    this.rows.append(...parts)
    return { parts, names }
  }

  /** Outputs go beside the picture, whether that is written or not. */
  #outputsRow(): OutputList {
    const list = new OutputList((name, args) => this.act(name, args))
    const save = () => this.act("save_outputs", { path: this.picture.value.trim(), overwrite: this.replace.checked })
    this.rows.append(make("span", { class: "wt-label" }, "Outputs"), list.element, button("Save the outputs", save))
    return list
  }

  #proofRow(): SoftProof {
    const proof = new SoftProof((name, args) => this.act(name, args))
    this.rows.append(make("span", { class: "wt-label" }, "Soft proof"), proof.element, proof.press)
    return proof
  }

  #nameLayers(): void {
    const name = this.picture.value.trim().split("/").pop() ?? ""
    const stem = name.slice(0, name.length - suffixOf(name).length).replace(/\.picture$/, "")
    const [starless, stars] = ["starless", "stars"].map((layer) => `${stem}.${layer}${suffixOf(name)}`)
    this.layers.names.textContent = `${starless} and ${stars}`
  }

  #options(): Record<string, unknown> {
    const format = this.#format()
    if (!format) return {}
    const typed = [...this.numbers.querySelectorAll("input")].map((field) => field.valueAsNumber)
    const options = { ...format.options }
    for (const [i, { name, default: usual, least, most }] of format.numbers.entries())
      options[name] = clamp(Math.round(typed[i] || usual), least, most)
    return options
  }

  #format(): Format | undefined {
    return this.state.formats?.[this.format.selectedIndex]
  }

  /** A field for each number that the format leaves to the person. */
  #showNumbers() {
    const format = this.#format()
    if (this.numbers.dataset.format === (format?.words ?? "")) return
    this.numbers.dataset.format = format?.words ?? ""
    const field = ({ name, default: usual, least, most }: FormatNumber) =>
      make(
        "label",
        { class: "wt-group wt-soft" },
        plainWords(name),
        make("input", {
          class: "wt-input wt-figures",
          type: "number",
          min: least,
          max: most,
          step: 1,
          value: usual,
          "aria-label": `${plainWords(name)}, ${least} to ${most}`,
        }),
      )
    this.numbers.replaceChildren(...(format?.numbers ?? []).map(field))
  }

  #formatChosen() {
    const [suffix = ""] = this.#format()?.suffixes ?? []
    const path = this.picture.value
    this.picture.value = (suffixOf(path) ? path.slice(0, -suffixOf(path).length) : path) + suffix
    this.#showNumbers()
    this.#nameLayers()
  }

  #nameTyped() {
    const { formats = [] } = this.state
    const suffix = suffixOf(this.picture.value)
    const named = formats.findIndex(({ suffixes }) => suffixes.includes(suffix))
    if (named >= 0 && !this.#format()?.suffixes.includes(suffix)) this.format.selectedIndex = named
    this.#showNumbers()
    this.#nameLayers()
  }

  protected update(state: Partial<ExportState>): void {
    const { stem = null, formats = [], saved = [], layers = false, located = false, labelled = "" } = state
    this.outputs.update(state)
    this.proof.update(state)
    for (const part of this.layers.parts) part.hidden = !layers
    for (const part of this.labelled.parts) part.hidden = !located
    if (this.format.length !== formats.length)
      this.format.replaceChildren(...formats.map(({ words }) => make("option", {}, words)))
    attribute(this.root, "data-saved", saved.length)
    const words = saved.join("\n")
    if (this.list.dataset.words !== words) {
      this.list.dataset.words = words
      this.list.replaceChildren(
        ...saved.map((path) => make("li", {}, "✓ written: ", make("span", { class: "wt-figures" }, path))),
      )
    }
    if (stem === this.#stem) return
    this.#stem = stem
    for (const [input, ending] of [
      [this.picture, `.picture${formats[0]?.suffixes[0] ?? ""}`],
      [this.recipe, ".recipe.json"],
      [this.record, ".record.json"],
      [this.sheet, ".steps.html"],
      [this.labelled.path, labelled],
    ] as const)
      input.value = stem ? stem + ending : ""
    this.format.selectedIndex = 0
    this.#nameTyped()
  }
}
