// Leaving: picture, recipe, record and step sheet as files; the session as Python. And the check-up's advice.

const QUALITY = 92
const SEVERITIES = { warning: ["▲", "Matters most"], advice: ["●", "Worth doing"], note: ["○", "Good to know"] }

const joined = (folder, name) => `${folder.replace(/\/$/, "")}/${name}`
const suffixOf = (path) => (path.match(/\.[a-z0-9]+$/i)?.[0] ?? "").toLowerCase()

class SaveDrawer {
  #stem = null

  constructor(shelf) {
    this.shelf = shelf
    this.replace = make("input", { type: "checkbox" })
    this.format = make("select", { class: "wt-select", "aria-label": "Format of the picture" })
    this.format.addEventListener("change", () => this.#formatChosen())
    this.quality = make("input", { class: "wt-input wt-figures", type: "number", min: 1, max: 100, step: 1, value: QUALITY, "aria-label": "JPEG quality, 1 to 100" })
    this.qualityLabel = make("label", { class: "wt-group wt-soft" }, "quality", this.quality)
    this.rows = make("div", { class: "wt-save-rows" })
    this.picture = this.#row("Picture", "Save the picture", "save_picture", () => this.#options(), make("div", { class: "wt-group" }, this.format, this.qualityLabel), true)
    this.picture.addEventListener("input", () => this.#nameTyped())
    this.recipe = this.#row("Recipe", "Save the recipe", "save_recipe")
    this.record = this.#row("Run record", "Save the record", "save_record")
    this.sheet = this.#row("Step sheet", "Write the sheet", "save_sheet", undefined, make("span", { class: "wt-soft" }, ".html is a page to read and print, .ipynb a notebook to run and teach with"))
    this.list = make("ul", { class: "wt-saved" })
    this.element = make("div", {}, this.rows, make("label", { class: "wt-group" }, this.replace, "replace a file that exists"), this.list)
  }

  #row(what, words, name, options = () => ({}), more = null, main = false) {
    const path = make("input", { class: "wt-input wt-figures", type: "text", "aria-label": `File of the ${what.toLowerCase()}`, spellcheck: "false", autocomplete: "off" })
    const save = () => this.shelf.act(name, { path: path.value.trim(), overwrite: this.replace.checked, ...options() })
    const press = button(words, save, main ? { class: "wt-button wt-main" } : {})
    path.addEventListener("keydown", (event) => event.key === "Enter" && save())
    this.rows.append(make("span", { class: "wt-label" }, what), make("div", { class: "wt-save-file" }, path, more), press)
    return path
  }

  #options() {
    const format = this.#format()
    if (!format) return {}
    return { ...format.options, ...(format.suffix === ".jpg" ? { quality: clamp(Math.round(this.quality.valueAsNumber) || QUALITY, 1, 100) } : {}) }
  }

  #format() {
    return this.shelf.state.formats?.[this.format.selectedIndex]
  }

  #formatChosen() {
    const { suffix } = this.#format()
    const path = this.picture.value
    this.picture.value = (suffixOf(path) ? path.slice(0, -suffixOf(path).length) : path) + suffix
    this.qualityLabel.hidden = suffix !== ".jpg"
  }

  #nameTyped() {
    const aliases = { ".tiff": ".tif", ".jpeg": ".jpg", ".fit": ".fits" }
    const suffix = aliases[suffixOf(this.picture.value)] ?? suffixOf(this.picture.value)
    const { formats = [] } = this.shelf.state
    if (this.#format()?.suffix !== suffix && formats.some((f) => f.suffix === suffix)) this.format.selectedIndex = formats.findIndex((f) => f.suffix === suffix)
    this.qualityLabel.hidden = this.#format()?.suffix !== ".jpg"
  }

  focus() {
    this.picture.focus()
  }

  shown() {}

  update({ stack, formats = [], saved = [] }) {
    if (this.format.length !== formats.length) this.format.replaceChildren(...formats.map(({ words }) => make("option", {}, words)))
    const words = saved.join("\n")
    if (this.list.dataset.words !== words) {
      this.list.dataset.words = words
      this.list.replaceChildren(...saved.map((path) => make("li", {}, "✓ written: ", make("span", { class: "wt-figures" }, path))))
    }
    const stem = stack ? joined(stack.folder, stack.stem) : null
    if (stem === this.#stem) return
    this.#stem = stem
    for (const [input, ending] of [[this.picture, ".picture.tif"], [this.recipe, ".recipe.json"], [this.record, ".record.json"], [this.sheet, ".steps.html"]]) input.value = stem ? stem + ending : ""
    this.format.selectedIndex = 0
    this.#nameTyped()
  }
}

class AdviceDrawer {
  constructor(shelf) {
    this.shelf = shelf
    this.cards = make("ul", { class: "wt-advice" })
    this.rows = make("dl", { class: "wt-facts" })
    this.none = make("p", {})
    this.element = make("div", { class: "wt-checkup" }, this.none, this.cards, make("details", { open: true }, make("summary", {}, "What was measured"), this.rows))
  }

  focus() {
    this.element.querySelector("button")?.focus()
  }

  async shown() {
    if (!this.shelf.state.measured?.length) await this.shelf.long("check", {}, "measuring the stack", true)
  }

  update({ advice = [], measured = [], placed = {} }) {
    const words = JSON.stringify([advice, measured, placed])
    if (words === this.cards.dataset.words) return
    this.cards.dataset.words = words
    this.none.textContent = measured.length && !advice.length ? "Nothing stands out: this stack is ready for a recipe." : ""
    this.cards.replaceChildren(...advice.map((one, number) => this.#card(one, number, placed)))
    this.rows.replaceChildren(...measured.flatMap(([what, value]) => [make("dt", {}, what), make("dd", {}, value)]))
    this.rows.parentElement.hidden = !measured.length
  }

  #card({ about, severity, says, do: todo, step }, number, placed) {
    const [sign, words] = SEVERITIES[severity] ?? SEVERITIES.note
    const add = async () => {
      const place = await this.shelf.long("add_advised", { number }, `adding ${step.do.replaceAll("_", " ")}`, true)
      if (place !== undefined) this.shelf.status.say(`added as step ${place + 1}`)
    }
    const there = step ? placed[step.do] : undefined
    const press =
      there === undefined
        ? step && button(`Add this step: ${step.do.replaceAll("_", " ")}`, add)
        : button(`✓ Step ${there + 1} does this: show it`, () => this.shelf.act("select", { index: there }))
    return make(
      "li",
      { class: "wt-card", dataset: { severity } },
      make("h3", {}, make("span", { "aria-hidden": "true", class: "wt-sign" }, sign), ` ${about}`, make("span", { class: "wt-severity" }, words)),
      make("p", {}, says),
      make("p", { class: "wt-todo" }, todo),
      press ?? null,
    )
  }
}

class CodeDrawer {
  constructor(shelf) {
    this.shelf = shelf
    this.text = make("textarea", { class: "wt-input wt-figures wt-code", readonly: true, rows: 12, "aria-label": "The session as Python", spellcheck: "false" })
    this.recipe = button("The recipe as it stands", () => this.#show("session_code"), { pressed: true })
    this.gestures = button("Every gesture so far", () => this.#show("gestures"), { pressed: false })
    const kinds = make("div", { class: "wt-group", role: "toolbar", "aria-label": "What the code says" }, this.recipe, this.gestures)
    oneTabStop(kinds, shelf.signal)
    this.copied = button("Copy", () => this.#copy())
    this.element = make("div", {}, make("div", { class: "wt-row" }, kinds, make("span", { class: "wt-grow" }), this.copied), this.text)
  }

  focus() {
    this.recipe.focus()
  }

  shown() {
    return this.#show("session_code")
  }

  update() {}

  async #show(name) {
    const text = await this.shelf.act(name)
    if (text === undefined) return
    this.text.value = text ?? ""
    attribute(this.recipe, "aria-pressed", String(name === "session_code"))
    attribute(this.gestures, "aria-pressed", String(name === "gestures"))
  }

  async #copy() {
    this.text.select()
    try {
      await navigator.clipboard.writeText(this.text.value)
    } catch {
      document.execCommand("copy") // pages without https have no clipboard of the newer kind
    }
    this.shelf.status.say("copied: paste it into a cell")
  }
}
