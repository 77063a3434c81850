// The recipe card: numbered steps, moved by hand or by keys; its title, undo and redo.

class RecipeCard {
  rows = new Map()

  constructor(model, { root, signal }) {
    this.model = model
    this.root = root
    this.signal = signal
    this.status = statusLine()
    this.act = actor(model, this.status)
    this.#build()
    this.adding = makeAdding(this)
    this.variants = makeVariants(this)
    this.root.append(this.#head(), this.empty, this.list, this.adding.element, this.variants.element, this.status.element)
    watch(model, "change:state", () => this.update(), signal)
    this.#keys()
    this.update()
  }

  get state() {
    return this.model.get("state") ?? { cards: [] }
  }

  #build() {
    this.root.classList.add("wt-card")
    this.list = make("ol", { class: "wt-steps-list", "aria-label": "Steps in order" })
    this.empty = make("p", { class: "wt-soft wt-none" }, "No steps yet. Add one below, or let the shelf suggest a recipe for this stack.")
  }

  #head() {
    const rename = () => this.act("rename", { title: this.title.value.trim() })
    this.title = make("input", { class: "wt-title", type: "text", placeholder: "Recipe without a title", "aria-label": "Title of the recipe", spellcheck: "false", on: { change: rename } })
    this.title.addEventListener("keydown", (event) => event.key === "Enter" && this.title.blur())
    this.undo = button("↶ Undo", () => this.act("undo"), { title: "take the last change back (Ctrl+Z)", "aria-keyshortcuts": "Control+Z" })
    this.redo = button("↷ Redo", () => this.act("redo"), { title: "make it again (Ctrl+Shift+Z)", "aria-keyshortcuts": "Control+Shift+Z" })
    this.count = make("span", { class: "wt-soft wt-grow" })
    return make("div", { class: "wt-card-head" }, this.title, make("div", { class: "wt-row" }, this.count, this.undo, this.redo))
  }

  /** Ctrl+Z inside the card is about the recipe, not about the notebook's cells. */
  #keys() {
    const undo = () => this.act("undo")
    const redo = () => this.act("redo")
    onKeys(this.root, { "Ctrl+z": undo, "Ctrl+Z": redo, "Ctrl+y": redo }, this.signal)
    keepFromNotebook(this.root, ["z", "Z", "y"], this.signal)
  }

  update() {
    const { state } = this
    const cards = state.cards ?? []
    const focused = document.activeElement
    const seen = new Set(cards.map((card) => card.key))
    for (const [key, row] of this.rows) {
      if (seen.has(key)) continue
      row.element.remove()
      this.rows.delete(key)
    }
    cards.forEach((card, place) => {
      const row = this.rows.get(card.key)
      if (row) row.update(card)
      else this.rows.set(card.key, new StepRow(this, card))
      const { element } = this.rows.get(card.key)
      if (this.list.children[place] !== element) this.list.insertBefore(element, this.list.children[place] ?? null)
    })
    if (focused !== document.activeElement && this.root.contains(focused)) focused.focus()
    if (document.activeElement !== this.title) this.title.value = state.title ?? ""
    this.empty.hidden = cards.length > 0
    const off = cards.filter((card) => !card.on).length
    this.count.textContent = cards.length ? `${cards.length} step${cards.length > 1 ? "s" : ""}${off ? `, ${off} off` : ""}` : ""
    this.undo.disabled = !state.can_undo
    this.redo.disabled = !state.can_redo
    this.adding.update(state)
    this.variants.update(state)
    attribute(this.root, "data-steps", cards.length)
  }

  async move(row, to) {
    const { index, title } = row.card
    const place = clamp(to, 0, this.state.cards.length - 1)
    if (place === index) return
    await this.act("move", { index, to: place })
    // A button that the move has disabled would drop the focus.
    if (document.activeElement === document.body || document.activeElement?.disabled) row.number.focus()
    if (row.card.index === place) this.status.say(`${title} is step ${place + 1} now`)
  }

  async remove(row) {
    const { index, title } = row.card
    await this.act("remove", { index })
    if (row.element.isConnected) return
    const next = [...this.rows.values()].find((other) => other.card.index === Math.min(index, this.state.cards.length - 1))
    ;(next?.title ?? this.adding.open).focus()
    this.status.say(`${title} is out; undo brings it back`)
  }

  compareStep({ index }) {
    const { kind, step } = this.state.compare ?? {}
    this.act("compare", kind === "step" && step === index ? {} : { step: index })
  }

  /** A step is dragged by its number; its place is where its middle is when it is let go. */
  dragging(row) {
    const { signal } = this
    const grip = row.number
    let start = null
    const rowsNow = () => [...this.list.children]
    const target = (y) => {
      const others = rowsNow().filter((element) => element !== row.element)
      const above = others.findIndex((element) => y < element.getBoundingClientRect().top + element.offsetHeight / 2)
      return above < 0 ? others.length : above
    }
    const end = () => {
      start = null
      row.element.style.translate = ""
      for (const element of rowsNow()) element.classList.remove("wt-dragged", "wt-drop-above", "wt-drop-below")
    }
    grip.addEventListener("pointerdown", (event) => {
      if (event.button !== 0) return
      grip.setPointerCapture(event.pointerId)
      start = { y: event.clientY, to: row.card.index }
    }, { signal })
    grip.addEventListener("pointermove", (event) => {
      if (!start) return
      const by = event.clientY - start.y
      if (!row.element.classList.contains("wt-dragged") && Math.abs(by) < 5) return
      row.element.classList.add("wt-dragged")
      row.element.style.translate = `0 ${by}px`
      start.to = target(event.clientY)
      const others = rowsNow().filter((element) => element !== row.element)
      others.forEach((element, place) => {
        element.classList.toggle("wt-drop-above", place === start.to)
        element.classList.toggle("wt-drop-below", place === others.length - 1 && start.to === others.length)
      })
    }, { signal })
    grip.addEventListener("pointerup", () => {
      const dropped = start && row.element.classList.contains("wt-dragged") ? start.to : null
      const clicked = start && dropped === null
      end()
      if (dropped !== null) this.move(row, dropped)
      else if (clicked && !row.card.selected) this.act("select", { index: row.card.index })
    }, { signal })
    grip.addEventListener("pointercancel", end, { signal })
    grip.addEventListener("lostpointercapture", end, { signal })
    onKeys(grip, {
      ArrowUp: () => this.move(row, row.card.index - 1),
      ArrowDown: () => this.move(row, row.card.index + 1),
      Home: () => this.move(row, 0),
      End: () => this.move(row, this.state.cards.length - 1),
      Enter: () => this.act("select", { index: row.card.index }),
      Escape: () => (start ? end() : false),
    }, signal)
  }
}

/** While focus is inside `root`, these keys with Ctrl or Cmd are not for the notebook. */
function keepFromNotebook(root, keys, signal) {
  const ours = (event) => {
    if ((event.ctrlKey || event.metaKey) && keys.includes(event.key) && root.contains(event.target) && !isTyping(event.target)) {
      attribute(root, "data-lm-suppress-shortcuts", "true")
    }
  }
  // After the panel's own listener of the same kind, which leaves keys with Ctrl to the notebook.
  window.addEventListener("keydown", ours, { capture: true, signal })
}

function render({ model, el }) {
  const panel = panelRoot(el, "steps", "Recipe")
  new RecipeCard(model, panel)
  return panel.gone
}

export default { render }
