// The chosen step: controls for its settings, why and when to use it, what it measured.

class StepSettings {
  rows = new Map()
  whereRows = new Map()
  #built = ""

  constructor(model, { root, signal }) {
    this.model = model
    this.root = root
    this.signal = signal
    this.status = statusLine()
    this.act = actor(model, this.status)
    this.#build()
    watch(model, "change:state", () => this.update(), signal)
    this.update()
  }

  get state() {
    return this.model.get("state") ?? { index: null }
  }

  #build() {
    this.root.classList.add("wt-card")
    this.none = make("p", { class: "wt-soft wt-unchosen" }, "Choose a step on the recipe card, and its settings lie here.")
    this.title = make("h2", { tabindex: "-1" })
    this.summary = make("p", { class: "wt-summary" })
    this.why = make("details", { class: "wt-why" }, make("summary", {}, "Why and when"), (this.whyWords = make("div", {})))
    this.basic = make("div", { class: "wt-fields" })
    this.expertCount = make("span", {})
    this.expert = make("details", { class: "wt-expert" }, make("summary", {}, "Finer settings ", this.expertCount), (this.expertFields = make("div", { class: "wt-fields" })))
    this.resetAll = button("Reset all", () => this.act("reset", { index: this.state.index, names: [] }), { title: "put every setting of this step back to its default (can be undone)" })
    this.draw = button("Draw on the picture", () => this.#take(this.state.tool), { class: "wt-button wt-draw" })
    this.#buildFacts()
    this.#buildWhere()
    const head = make("div", { class: "wt-settings-head" }, this.title, make("span", { class: "wt-grow" }), this.resetAll)
    this.body = make("div", { class: "wt-settings-body" }, head, this.summary, this.why, this.draw, this.basic, this.expert, this.where, this.facts)
    this.root.append(this.none, this.body, this.status.element)
  }

  #buildFacts() {
    this.found = make("p", { class: "wt-found" })
    this.factRows = make("dl", { class: "wt-facts" })
    this.numbers = make("details", {}, make("summary", {}, "The numbers"), this.factRows)
    this.keepState = make("p", { class: "wt-keeping" })
    this.keep = button("Keep these measurements", () => this.act("freeze", { index: this.state.index }), { title: "use these numbers from now on, whatever comes before this step" })
    this.again = button("Measure again", () => this.act("measure_again", { index: this.state.index }), { title: "let the step measure the frame it gets" })
    this.facts = make("section", { class: "wt-measured", "aria-label": "What this step measured" }, make("h3", {}, "Measured in your stack"), this.found, this.numbers, this.keepState, make("div", { class: "wt-group" }, this.keep, this.again))
  }

  #buildWhere() {
    this.whereSwitch = make("input", { type: "checkbox", role: "switch", class: "wt-switch", "aria-label": "Limit this step to a part of the frame" })
    this.whereSwitch.addEventListener("change", () => this.#limit(this.whereSwitch.checked ? this.state.where.start : null))
    this.whereWords = make("span", { class: "wt-soft wt-grow" })
    this.whereFields = make("div", { class: "wt-fields" })
    const row = make("label", { class: "wt-row" }, this.whereWords, this.whereSwitch)
    this.where = make("details", { class: "wt-where" }, make("summary", {}, "Only a part of the frame"), row, this.whereFields)
  }

  #limit(where) {
    return this.act("limit", { index: this.state.index, where })
  }

  #take(tool) {
    this.act("tool", { name: tool })
    this.status.say("Draw on the picture now; Escape there puts the tool down.")
  }

  update() {
    const { state } = this
    const chosen = state.index !== null && state.index !== undefined
    this.none.hidden = chosen
    this.body.hidden = !chosen
    if (!chosen) {
      this.#built = ""
      return
    }
    const built = `${state.key} ${state.id}`
    if (built !== this.#built) this.#rebuild(state)
    this.#built = built
    this.title.textContent = `${state.index + 1} · ${state.title}`
    for (const field of state.fields) this.rows.get(field.name)?.update(field)
    const changed = state.fields.some((field) => JSON.stringify(field.value) !== JSON.stringify(field.default))
    this.resetAll.hidden = !changed
    this.#updateWhere(state.where)
    this.#updateFacts(state)
    Object.assign(this.root.dataset, { index: state.index, step: state.id })
  }

  #rebuild(state) {
    this.status.clear()
    this.summary.textContent = state.summary
    this.whyWords.replaceChildren(
      ...state.why.map((text) => make("p", {}, text)),
      ...(state.details.length ? [make("h3", {}, "How it works")] : []),
      ...state.details.map((text) => make("p", { class: "wt-how" }, text)),
    )
    this.why.hidden = !state.why.length && !state.details.length
    this.draw.hidden = !state.tool
    this.rows = new Map(state.fields.map((field) => [field.name, this.#row(field)]))
    const shown = (expert) => state.fields.filter((field) => field.expert === expert).map((field) => this.rows.get(field.name).element)
    const [basic, expert] = [shown(false), shown(true)]
    this.basic.replaceChildren(...(state.fields.length ? basic : [make("p", { class: "wt-soft" }, "This step has nothing to set.")]))
    this.expertFields.replaceChildren(...expert)
    this.expertCount.textContent = `(${expert.length})`
    this.expert.hidden = expert.length === 0
    this.whereRows.clear()
    this.whereFields.replaceChildren()
  }

  #row({ name, ...field }) {
    // The place may change while the control stays: a step that is moved keeps its controls.
    const index = () => this.state.index
    const send = newestOnly(({ live, value, along, done }) =>
      ask(this.model, "set", { index: index(), live, [name]: value, ...along }, { patience: 120 }).then(
        () => {
          this.status.clear()
          done()
        },
        (error) => {
          this.status.fail(error)
          done()
        },
      ),
    )
    return settingRow({ name, ...field }, {
      give: (live, value) => {
        const now = this.state.fields.find((each) => each.name === name)
        const { tool, with: along } = now?.first?.[value] ?? {}
        if (!tool) return new Promise((done) => send({ live, value, along, done }))
        this.rows.get(name).update(now) // not chosen yet: what is drawn chooses it
        return Promise.resolve(this.#take(tool))
      },
      reset: () => this.act("reset", { index: index(), names: [name] }),
      take: (tool) => this.#take(tool),
    })
  }

  #updateWhere(where) {
    this.where.hidden = !where?.possible
    if (!where?.possible) return
    const on = where.fields.length > 0
    this.whereSwitch.checked = on
    this.whereWords.textContent = on ? where.words : "changes the whole frame"
    if (!on) {
      this.whereRows.clear()
      this.whereFields.replaceChildren()
    } else if (!this.whereRows.size) {
      const limit = (name) => (live, value) => {
        const now = Object.fromEntries(this.state.where.fields.map((field) => [field.name, field.value]))
        return live ? Promise.resolve() : this.#limit({ ...now, [name]: value })
      }
      this.whereRows = new Map(where.fields.map((field) => [field.name, settingRow(field, { give: limit(field.name) })]))
      this.whereFields.replaceChildren(...[...this.whereRows.values()].map((row) => row.element))
    }
    for (const field of where.fields) this.whereRows.get(field.name)?.update(field)
  }

  #updateFacts({ facts, found, frozen, drafted, measures, on }) {
    this.facts.hidden = !measures || !on
    this.found.textContent = drafted ? "Measuring…" : found
    this.found.classList.toggle("wt-soft", drafted)
    const words = JSON.stringify(facts)
    if (this.factRows.dataset.words !== words) {
      this.factRows.dataset.words = words
      this.factRows.replaceChildren(...facts.flatMap(([what, value]) => [make("dt", {}, what), make("dd", { class: "wt-figures" }, value)]))
    }
    this.numbers.hidden = !facts.length
    this.keepState.textContent = frozen ? "Kept: these numbers are used whatever comes before." : ""
    this.keep.hidden = frozen
    this.keep.disabled = drafted
    this.again.hidden = !frozen
    attribute(this.root, "data-drafted", String(drafted))
  }
}

function render({ model, el }) {
  const panel = panelRoot(el, "settings", "Settings of the chosen step")
  new StepSettings(model, panel)
  return panel.gone
}

export default { render }
