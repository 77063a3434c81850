// One step on the recipe card: what it is and found, its switch, its note, and what can be done with it.

import { attribute, button, closest, make } from "../../page/shared/dom"
import { oneTabStop } from "../../page/shared/keys"
import type { RecipeCard } from "./recipe"
import type { Card } from "./state"

const seconds = (s: number): string =>
  s >= 10 ? `${Math.round(s)} s` : s >= 0.1 ? `${s.toFixed(1)} s` : `${Math.max(1, Math.round(s * 1000))} ms`

/** How long a step took: measuring the full frame, and drawing the view. */
function timeWords(spent: Card["seconds"]): string {
  const [measuring, drawing] = spent ?? []
  return [measuring && `measured in ${seconds(measuring)}`, drawing && `drawn in ${seconds(drawing)}`]
    .filter(Boolean)
    .join(", ")
}

/** One step on the card. It stays the same element while the step moves, so that focus and a note half written stay. */
export class StepRow {
  writing = false
  readonly number = make("button", { type: "button", class: "wt-grip" })
  readonly thumb = make("img", { class: "wt-thumb", alt: "" })
  readonly title = make("button", {
    type: "button",
    class: "wt-step-title",
    on: { click: () => this.bench.act("select", { index: this.card.index }) },
  })
  readonly found = make("p", { class: "wt-found" })
  readonly meta = make("p", { class: "wt-meta" })
  readonly note = make("p", { class: "wt-note" })
  readonly problem = make("p", { class: "wt-alarm" })
  readonly onWord = make("span", {})
  readonly switch = make("input", {
    type: "checkbox",
    role: "switch",
    class: "wt-switch",
    on: { change: () => this.#turn() },
  })
  readonly tools = make("div", { class: "wt-step-tools wt-group", role: "toolbar" })
  readonly time = make("span", { class: "wt-time wt-figures" })

  readonly up = button("↑", () => this.#move(-1), { "aria-label": "Move up", title: "move this step up" })
  readonly down = button("↓", () => this.#move(1), { "aria-label": "Move down", title: "move this step down" })
  readonly compare = button("Compare", () => this.bench.compareStep(this.card), {
    pressed: false,
    title: "the picture before this step, on the left of a divider",
  })
  readonly writeNote = button("Note", () => this.#write(), { title: "write down why this step is there" })
  /** Where the settings unfold while this is the chosen step. */
  readonly slot = make("div", { class: "wt-slot" })
  readonly element: HTMLElement

  constructor(
    readonly bench: RecipeCard,
    public card: Card,
  ) {
    const heading = make("div", { class: "wt-heading" }, this.title, this.time)
    const words = make("div", { class: "wt-grow" }, heading, this.found, this.problem, this.note, this.meta)
    this.element = make(
      "li",
      { class: "wt-step" },
      make(
        "div",
        { class: "wt-step-row" },
        this.number,
        this.thumb,
        words,
        make("label", { class: "wt-on" }, this.switch, this.onWord),
      ),
      this.slot,
      this.tools,
    )
    this.element.addEventListener("click", (event) => {
      if (!closest(event, "button, input, label, textarea, a, .wt-slot") && !this.card.selected)
        void this.bench.act("select", { index: this.card.index })
    })
    this.#arm()
    bench.dragging(this)
    this.update(card)
  }

  #arm() {
    this.tools.append(
      this.up,
      this.down,
      this.compare,
      this.writeNote,
      button("Copy", () => this.bench.act("duplicate", { index: this.card.index }), {
        title: "put a copy of this step behind it",
      }),
      button("Remove", () => this.bench.remove(this), { title: "take this step out (can be undone)" }),
    )
    oneTabStop(this.tools, this.bench.signal)
  }

  #move(by: number): Promise<void> {
    return this.bench.move(this, this.card.index + by)
  }

  update(card: Card): void {
    this.card = card
    const { bench } = this
    const number = card.index + 1
    const what = `step ${number}, ${card.title}`
    attribute(this.element, "data-key", card.key)
    attribute(this.slot, "data-slot", card.key)
    attribute(this.element, "data-id", card.id)
    attribute(this.element, "aria-current", card.selected ? "true" : null)
    this.element.classList.toggle("wt-off", !card.on)
    this.number.textContent = String(number)
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
    this.meta.textContent = [
      card.on && timeWords(card.seconds),
      card.frozen && "measurements kept",
      card.layer,
      card.where,
      card.opacity,
    ]
      .filter(Boolean)
      .join(" · ")
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
    void this.bench.act("switch", { index: this.card.index, on: this.switch.checked })
  }

  #write() {
    if (this.writing) return
    this.writing = true
    const text = make("textarea", {
      class: "wt-input",
      rows: 2,
      "aria-label": `Why step ${this.card.index + 1} is there`,
    })
    text.value = this.card.note
    const end = (keep: boolean) => {
      if (!this.writing) return
      this.writing = false
      const written = text.value.trim()
      this.note.textContent = keep ? written : this.card.note
      if (keep && written !== this.card.note) void this.bench.act("note", { index: this.card.index, text: written })
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
