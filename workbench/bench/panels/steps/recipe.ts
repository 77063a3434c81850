// The recipe card: numbered steps, moved by hand or by keys; its title, undo and redo.

import { CARDS, onceShown, UNFOLDED } from "../../page/shared/bench"
import { attribute, button, make } from "../../page/shared/dom"
import { isTyping, onKeys } from "../../page/shared/keys"
import { type Model, watchState } from "../../page/shared/model"
import { clamp } from "../../page/shared/numbers"
import type { Mount } from "../../page/shared/panel"
import { type Act, actor, statusLine } from "../../page/shared/telling"
import { type Adding, makeAdding } from "./adding"
import { type History, makeHistory } from "./history"
import { StepRow } from "./row"
import type { Card, StepsState } from "./state"
import { makeVariants, type Variants } from "./variants"

export class RecipeCard {
  rows = new Map<number, StepRow>()
  readonly root: HTMLElement
  readonly signal: AbortSignal
  readonly act: Act
  readonly adding: Adding
  readonly variants: Variants
  readonly history: History
  readonly status = statusLine()
  readonly list = make("ol", { class: "wt-steps-list", "aria-label": "Steps in order" })
  readonly empty = make(
    "p",
    { class: "wt-soft wt-none" },
    "No steps yet. Add one below, or let the toolbar suggest a recipe for this stack.",
  )
  readonly title: HTMLInputElement = make("input", {
    class: "wt-title",
    type: "text",
    placeholder: "Recipe without a title",
    "aria-label": "Title of the recipe",
    spellcheck: "false",
    on: { change: () => this.act("rename", { title: this.title.value.trim() }) },
  })
  readonly undo = button("↶ Undo", () => this.act("undo"), {
    title: "take the last change back (Ctrl+Z)",
    "aria-keyshortcuts": "Control+Z",
  })
  readonly redo = button("↷ Redo", () => this.act("redo"), {
    title: "make it again (Ctrl+Shift+Z)",
    "aria-keyshortcuts": "Control+Shift+Z",
  })
  /** Everything below the head scrolls in its own place. */
  readonly scroll = make("div", { class: "wt-scroll" })
  #chosen: number | null = null
  readonly count = make("span", { class: "wt-soft wt-grow" })

  constructor(
    readonly model: Model<StepsState>,
    { root, signal }: Mount,
  ) {
    this.root = root
    this.signal = signal
    this.act = actor(model, this.status)
    this.adding = makeAdding(this)
    this.variants = makeVariants(this)
    this.history = makeHistory(this)
    root.classList.add("wt-card")
    this.scroll.append(this.empty, this.list, this.adding.element, this.variants.element, this.history.element)
    this.root.append(this.#head(), this.scroll, this.status.element)
    this.root.addEventListener(UNFOLDED, () => this.#toTheTop(), { signal })
    onceShown(root, signal, () => root.dispatchEvent(new CustomEvent(CARDS, { bubbles: true })))
    watchState(model, () => this.update(), signal)
    this.#keys()
    this.update()
  }

  get state(): StepsState {
    return this.model.get("state") ?? { cards: [] }
  }

  #head() {
    this.title.addEventListener("keydown", (event) => event.key === "Enter" && this.title.blur())
    return make(
      "div",
      { class: "wt-card-head" },
      this.title,
      make("div", { class: "wt-row" }, this.count, this.undo, this.redo),
    )
  }

  /** Ctrl+Z inside the card is about the recipe, not about the notebook's cells. */
  #keys() {
    const undo = () => this.act("undo")
    const redo = () => this.act("redo")
    onKeys(this.root, { "Ctrl+z": undo, "Ctrl+Z": redo, "Ctrl+y": redo }, this.signal)
    keepFromNotebook(this.root, ["z", "Z", "y"], this.signal)
  }

  update(): void {
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
      const { element } = this.#row(card)
      if (this.list.children[place] !== element) this.list.insertBefore(element, this.list.children[place] ?? null)
    })
    if (focused !== document.activeElement && focused instanceof HTMLElement && this.root.contains(focused))
      focused.focus()
    if (document.activeElement !== this.title) this.title.value = state.title ?? ""
    this.empty.hidden = cards.length > 0
    const off = cards.filter((card) => !card.on).length
    this.count.textContent = cards.length
      ? `${cards.length} step${cards.length > 1 ? "s" : ""}${off ? `, ${off} off` : ""}`
      : ""
    this.undo.disabled = !state.can_undo
    this.redo.disabled = !state.can_redo
    const { undoes = "", redoes = "" } = state
    this.undo.textContent = undoes ? `↶ Undo: ${undoes}` : "↶ Undo"
    attribute(this.undo, "title", `take the last change back (Ctrl+Z)${undoes && `: ${undoes}`}`)
    attribute(this.redo, "title", `make it again (Ctrl+Shift+Z)${redoes && `: ${redoes}`}`)
    this.adding.update(state)
    this.variants.update(state)
    this.history.update(state)
    attribute(this.root, "data-steps", cards.length)
    this.root.dispatchEvent(new CustomEvent(CARDS, { bubbles: true }))
    const chosen = cards.find((card) => card.selected)?.key ?? null
    if (chosen !== this.#chosen) this.#toTheTop()
    this.#chosen = chosen
  }

  /** The chosen card, and with it its settings, begins at the top of what is seen. */
  #toTheTop() {
    const card = this.list.querySelector<HTMLElement>(":scope > [aria-current]")
    if (card) this.scroll.scrollTop += card.getBoundingClientRect().top - this.scroll.getBoundingClientRect().top
  }

  /** The row of a card: the one that it had, or a new one. */
  #row(card: Card): StepRow {
    const old = this.rows.get(card.key)
    old?.update(card)
    const row = old ?? new StepRow(this, card)
    this.rows.set(card.key, row)
    return row
  }

  async move(row: StepRow, to: number): Promise<void> {
    const { index, title } = row.card
    const place = clamp(to, 0, this.state.cards.length - 1)
    if (place === index) return
    await this.act("move", { index, to: place })
    // A button that the move has disabled would drop the focus.
    if (document.activeElement === document.body || document.activeElement?.matches(":disabled")) row.number.focus()
    if (row.card.index === place) this.status.say(`${title} is step ${place + 1} now`)
  }

  async remove(row: StepRow): Promise<void> {
    const { index, title } = row.card
    await this.act("remove", { index })
    if (row.element.isConnected) return
    const next = [...this.rows.values()].find(
      (other) => other.card.index === Math.min(index, this.state.cards.length - 1),
    )
    ;(next?.title ?? this.adding.open).focus()
    this.status.say(`${title} is out; undo brings it back`)
  }

  compareStep({ index }: Card): void {
    const { kind, step } = this.state.compare ?? {}
    void this.act("compare", kind === "step" && step === index ? {} : { step: index })
  }

  /** A step is dragged by its number; its place is where its middle is when it is let go. */
  dragging(row: StepRow): void {
    const { signal } = this
    const grip = row.number
    let start: { y: number; to: number } | null = null
    const rowsNow = () => [...this.list.querySelectorAll<HTMLElement>(":scope > li")]
    const target = (y: number) => {
      const others = rowsNow().filter((element) => element !== row.element)
      const above = others.findIndex((element) => y < element.getBoundingClientRect().top + element.offsetHeight / 2)
      return above < 0 ? others.length : above
    }
    const end = () => {
      start = null
      row.element.style.translate = ""
      for (const element of rowsNow()) element.classList.remove("wt-dragged", "wt-drop-above", "wt-drop-below")
    }
    grip.addEventListener(
      "pointerdown",
      (event) => {
        if (event.button !== 0) return
        grip.setPointerCapture(event.pointerId)
        start = { y: event.clientY, to: row.card.index }
      },
      { signal },
    )
    grip.addEventListener(
      "pointermove",
      (event) => {
        if (!start) return
        const by = event.clientY - start.y
        if (!row.element.classList.contains("wt-dragged") && Math.abs(by) < 5) return
        row.element.classList.add("wt-dragged")
        row.element.style.translate = `0 ${by}px`
        const to = target(event.clientY)
        start.to = to
        const others = rowsNow().filter((element) => element !== row.element)
        others.forEach((element, place) => {
          element.classList.toggle("wt-drop-above", place === to)
          element.classList.toggle("wt-drop-below", place === others.length - 1 && to === others.length)
        })
      },
      { signal },
    )
    grip.addEventListener(
      "pointerup",
      () => {
        const dropped = start && row.element.classList.contains("wt-dragged") ? start.to : null
        const clicked = start && dropped === null
        end()
        if (dropped !== null) void this.move(row, dropped)
        else if (clicked && !row.card.selected) void this.act("select", { index: row.card.index })
      },
      { signal },
    )
    grip.addEventListener("pointercancel", end, { signal })
    grip.addEventListener("lostpointercapture", end, { signal })
    onKeys(
      grip,
      {
        ArrowUp: () => this.move(row, row.card.index - 1),
        ArrowDown: () => this.move(row, row.card.index + 1),
        Home: () => this.move(row, 0),
        End: () => this.move(row, this.state.cards.length - 1),
        Enter: () => this.act("select", { index: row.card.index }),
        Escape: () => (start ? end() : false),
      },
      signal,
    )
  }
}

/** While focus is inside `root`, these keys with Ctrl or Cmd are not for the notebook. */
function keepFromNotebook(root: HTMLElement, keys: string[], signal: AbortSignal) {
  const ours = (event: KeyboardEvent) => {
    if (
      (event.ctrlKey || event.metaKey) &&
      keys.includes(event.key) &&
      event.target instanceof Node &&
      root.contains(event.target) &&
      !isTyping(event.target)
    ) {
      attribute(root, "data-lm-suppress-shortcuts", "true")
    }
  }
  // After the panel's own listener of the same kind, which leaves keys with Ctrl to the notebook.
  window.addEventListener("keydown", ours, { capture: true, signal })
}
