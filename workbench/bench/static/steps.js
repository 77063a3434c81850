// The recipe card: numbered steps, moved by hand or by keys; adding, notes, variants, undo and redo.

const seconds = (s) => (s >= 10 ? `${Math.round(s)} s` : s >= 0.1 ? `${s.toFixed(1)} s` : `${Math.max(1, Math.round(s * 1000))} ms`)

/** How long a step took: measuring the full frame, and drawing the view. */
function timeWords([measuring, drawing] = []) {
  return [measuring && `measured in ${seconds(measuring)}`, drawing && `drawn in ${seconds(drawing)}`].filter(Boolean).join(", ")
}

/** One step on the card. It stays the same element while the step moves, so that focus and a note half written stay. */
class StepRow {
  card = null
  writing = false

  constructor(bench, card) {
    this.bench = bench
    this.#build()
    this.update(card)
  }

  #build() {
    const { bench } = this
    this.number = make("button", { type: "button", class: "wt-grip" })
    this.thumb = make("img", { class: "wt-thumb", alt: "" })
    this.title = make("button", { type: "button", class: "wt-step-title", on: { click: () => bench.act("select", { index: this.card.index }) } })
    this.found = make("p", { class: "wt-found" })
    this.meta = make("p", { class: "wt-meta" })
    this.note = make("p", { class: "wt-note" })
    this.problem = make("p", { class: "wt-alarm" })
    this.switch = make("input", { type: "checkbox", role: "switch", class: "wt-switch", on: { change: () => this.#turn() } })
    this.tools = make("div", { class: "wt-step-tools wt-group", role: "toolbar" })
    this.time = make("span", { class: "wt-time wt-figures" })
    const heading = make("div", { class: "wt-heading" }, this.title, this.time)
    const words = make("div", { class: "wt-grow" }, heading, this.found, this.problem, this.note, this.meta)
    this.element = make(
      "li",
      { class: "wt-step" },
      make("div", { class: "wt-step-row" }, this.number, this.thumb, words, make("label", { class: "wt-on" }, this.switch, (this.onWord = make("span", {})))),
      this.tools,
    )
    this.element.addEventListener("click", (event) => {
      if (!event.target.closest("button, input, label, textarea, a") && !this.card.selected) bench.act("select", { index: this.card.index })
    })
    this.#tools()
    bench.dragging(this)
  }

  #tools() {
    const { bench } = this
    const at = (name, args = {}) => () => bench.act(name, { index: this.card.index, ...args })
    const move = (by) => () => bench.move(this, this.card.index + by)
    this.up = button("↑", move(-1), { "aria-label": "Move up", title: "move this step up" })
    this.down = button("↓", move(1), { "aria-label": "Move down", title: "move this step down" })
    this.compare = button("Compare", () => bench.compareStep(this.card), { pressed: false, title: "the picture before this step, on the left of a divider" })
    this.writeNote = button("Note", () => this.#write(), { title: "write down why this step is there" })
    this.tools.append(
      this.up,
      this.down,
      this.compare,
      this.writeNote,
      button("Copy", at("duplicate"), { title: "put a copy of this step behind it" }),
      button("Remove", () => bench.remove(this), { title: "take this step out (can be undone)" }),
    )
    oneTabStop(this.tools, bench.signal)
  }

  update(card) {
    this.card = card
    const { bench } = this
    const number = card.index + 1
    const what = `step ${number}, ${card.title}`
    attribute(this.element, "data-key", card.key)
    attribute(this.element, "data-id", card.id)
    attribute(this.element, "aria-current", card.selected ? "true" : null)
    this.element.classList.toggle("wt-off", !card.on)
    this.number.textContent = number
    attribute(this.number, "aria-label", `Move ${what}: drag, or arrow up and down`)
    attribute(this.number, "title", "drag to move; or arrow up and down")
    this.title.textContent = card.title
    attribute(this.title, "aria-pressed", String(card.selected))
    attribute(this.title, "aria-label", `${number}. ${card.title}${card.on ? "" : ", off"}: show its settings`)
    this.thumb.hidden = !card.thumb
    if (card.thumb && this.thumb.getAttribute("src") !== card.thumb) this.thumb.src = card.thumb
    attribute(this.thumb, "alt", card.thumb ? `the picture after ${what}` : "")
    this.found.textContent = card.on ? card.found : ""
    this.problem.textContent = card.problem ?? ""
    if (!this.writing) this.note.textContent = card.note
    const spent = (card.seconds?.[0] ?? 0) + (card.seconds?.[1] ?? 0)
    this.time.textContent = card.on && spent ? seconds(spent) : ""
    attribute(this.time, "title", timeWords(card.seconds))
    attribute(this.found, "title", card.selected ? null : card.found)
    this.meta.textContent = [card.on && timeWords(card.seconds), card.frozen && "measurements kept", card.where].filter(Boolean).join(" · ")
    this.switch.checked = card.on
    this.onWord.textContent = card.on ? "on" : "off"
    attribute(this.switch, "aria-label", `${what} is used`)
    this.tools.hidden = !card.selected
    attribute(this.tools, "aria-label", `What to do with ${what}`)
    this.up.disabled = card.index === 0
    this.down.disabled = card.index === bench.state.cards.length - 1
    const { kind, step } = bench.state.compare ?? {}
    attribute(this.compare, "aria-pressed", String(kind === "step" && step === card.index))
    this.compare.disabled = !bench.state.opened
    if (card.selected) oneTabStop(this.tools, bench.signal)
  }

  #turn() {
    this.bench.act("switch", { index: this.card.index, on: this.switch.checked })
  }

  #write() {
    if (this.writing) return
    this.writing = true
    const text = make("textarea", { class: "wt-input", rows: 2, "aria-label": `Why step ${this.card.index + 1} is there` })
    text.value = this.card.note
    const end = (keep) => {
      if (!this.writing) return
      this.writing = false
      const written = text.value.trim()
      this.note.textContent = keep ? written : this.card.note
      if (keep && written !== this.card.note) this.bench.act("note", { index: this.card.index, text: written })
    }
    text.addEventListener("blur", () => end(true))
    text.addEventListener("keydown", (event) => {
      const { key } = event
      if (key !== "Escape" && !(key === "Enter" && !event.shiftKey)) return
      event.preventDefault()
      event.stopPropagation()
      end(key === "Enter")
      this.writeNote.focus()
    })
    this.note.replaceChildren(text)
    text.focus()
  }
}

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

/** The shelf of operations behind "Add a step". */
function makeAdding(bench) {
  const id = freshId("adding")
  const groups = make("div", { id, class: "wt-adding", hidden: true })
  const open = button("+ Add a step", () => turn(groups.hidden), { "aria-expanded": "false", "aria-controls": id, class: "wt-button wt-add" })
  const turn = (on) => {
    groups.hidden = !on
    attribute(open, "aria-expanded", String(on))
  }
  onKeys(groups, {
    Escape: () => {
      turn(false)
      open.focus()
    },
  }, bench.signal)
  const add = async (operation) => {
    const place = await bench.act("add", { operation: operation.id })
    if (place === undefined) return
    turn(false)
    bench.list.children[place]?.querySelector(".wt-step-title")?.focus()
    bench.status.say(`${operation.title} added as step ${place + 1}`)
  }
  const one = (operation) => {
    const press = button(operation.title, () => add(operation), { class: "wt-button wt-operation", dataset: { operation: operation.id } })
    press.disabled = !operation.fits
    return make("li", {}, press, make("p", { class: "wt-soft" }, operation.first_line), operation.fits ? null : make("p", { class: "wt-reason" }, `Not now: ${operation.reason}`))
  }
  let shown = ""
  return {
    element: make("div", { class: "wt-add-row" }, open, groups),
    open,
    update({ shelf = [] }) {
      const words = JSON.stringify(shelf)
      if (words === shown) return
      shown = words
      groups.replaceChildren(...shelf.map((group) => make("section", {}, make("h3", {}, group.title), make("ul", {}, ...group.operations.map(one)))))
    },
  }
}

/** Recipes kept under a name, to be compared and laid out again. */
function makeVariants(bench) {
  const name = make("input", { class: "wt-input", type: "text", "aria-label": "Name of the variant", placeholder: "name, such as 'darker sky'", spellcheck: "false" })
  const list = make("ul", { class: "wt-variants-list" })
  const keep = async () => {
    if ((await bench.act("keep_variant", { name: name.value })) !== undefined) name.value = ""
  }
  const form = make("form", { class: "wt-row" }, name, make("button", { type: "submit", class: "wt-button" }, "Keep this recipe"))
  form.addEventListener("submit", (event) => {
    event.preventDefault()
    keep()
  })
  const compare = (variant) => {
    const { kind, name: shown } = bench.state.compare ?? {}
    bench.act("compare", kind === "variant" && shown === variant ? {} : { variant })
  }
  const one = (variant, state) => {
    const on = state.compare?.kind === "variant" && state.compare.name === variant
    const props = (words) => ({ "aria-label": `${words} ${variant}` })
    const sideBySide = button("Compare", () => compare(variant), { pressed: on, ...props("compare with variant"), title: "this variant on the left of a divider" })
    sideBySide.disabled = !state.opened
    return make(
      "li",
      { class: "wt-row", dataset: { variant } },
      make("span", { class: "wt-grow" }, variant),
      sideBySide,
      button("Use", () => bench.act("use_variant", { name: variant }), { ...props("lay out variant"), title: "lay this recipe out (can be undone)" }),
      button("Forget", () => bench.act("drop_variant", { name: variant }), props("forget variant")),
    )
  }
  let shown = ""
  return {
    element: make("details", { class: "wt-variants" }, make("summary", {}, "Variants"), form, list),
    update(state) {
      const words = JSON.stringify([state.variants, state.compare, state.opened])
      if (words === shown) return
      shown = words
      const focused = list.contains(document.activeElement) ? document.activeElement.getAttribute("aria-label") : null
      list.replaceChildren(...(state.variants ?? []).map((variant) => one(variant, state)))
      if (focused) list.querySelector(`[aria-label="${CSS.escape(focused)}"]`)?.focus()
    },
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
