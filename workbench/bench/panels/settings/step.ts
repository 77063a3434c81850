// The chosen step: controls for its settings, why and when to use it, what it measured.

import { ask, newestOnly } from "../../page/shared/ask"
import { benchOf, CARDS, UNFOLDED } from "../../page/shared/bench"
import { attribute, button, make, tell } from "../../page/shared/dom"
import { type Model, watchState } from "../../page/shared/model"
import type { Mount } from "../../page/shared/panel"
import { type Act, actor, statusLine } from "../../page/shared/telling"
import { type Row, settingRow } from "./controls"
import { Masks } from "./masks"
import { Plots } from "./plots"
import type { Field, SettingsState } from "./state"

/** The state while no step is chosen. */
const NOTHING = { index: null } as SettingsState

/** What is on its way to the kernel, and what to do when it is there. */
export interface Sent {
  live: boolean
  value: Record<string, unknown>
  done: (value?: unknown) => void
}

export class StepSettings {
  readonly root: HTMLElement
  readonly act: Act
  rows = new Map<string, Row>()
  #layerRow: Row | null = null
  #opacityRow: Row | null = null
  #built = ""
  readonly status = statusLine()
  readonly none = make(
    "p",
    { class: "wt-soft wt-unchosen" },
    "Choose a step of the recipe, and its settings are shown here.",
  )
  readonly title = make("h2", { tabindex: "-1" })
  readonly summary = make("p", { class: "wt-summary" })
  readonly whyWords = make("div", {})
  readonly why = make("details", { class: "wt-why" }, make("summary", {}, "Why and when"), this.whyWords)
  readonly basic = make("div", { class: "wt-fields" })
  readonly layer = make("div", { class: "wt-fields wt-on-layer" })
  readonly opacity = make("div", { class: "wt-fields wt-opacity" })
  readonly expertCount = make("span", {})
  readonly expertFields = make("div", { class: "wt-fields" })
  readonly expert = make(
    "details",
    { class: "wt-expert" },
    make("summary", {}, "Finer settings ", this.expertCount),
    this.expertFields,
  )
  readonly resetAll = button("Reset all", () => this.act("reset", { index: this.state.index, names: [] }), {
    title: "put every setting of this step back to its default (can be undone)",
  })
  readonly draw = button("Draw on the picture", () => this.state.tool && this.#take(this.state.tool), {
    class: "wt-button wt-draw",
  })
  readonly found = make("p", { class: "wt-found" })
  readonly factRows = make("dl", { class: "wt-facts" })
  readonly numbers = make("details", {}, make("summary", {}, "The numbers"), this.factRows)
  readonly keepState = make("p", { class: "wt-keeping" })
  readonly keep = button("Keep these measurements", () => this.act("freeze", { index: this.state.index }), {
    title: "use these numbers from now on, whatever comes before this step",
  })
  readonly again = button("Measure again", () => this.act("measure_again", { index: this.state.index }), {
    title: "let the step measure the frame it gets",
  })
  readonly plots: Plots
  readonly facts = make(
    "section",
    { class: "wt-measured", "aria-label": "What this step measured" },
    make("h3", {}, "Measured in your stack"),
    this.found,
    this.numbers,
    this.keepState,
    make("div", { class: "wt-group" }, this.keep, this.again),
  )
  readonly masks = new Masks(
    (name, wanted) => this.act(name, { index: this.state.index, ...wanted }),
    () => this.#sender("change_mask"),
    (tool) => this.#take(tool),
  )
  readonly explain = button("Explain", () => this.#explain(), {
    class: "wt-button wt-quiet wt-explain",
    pressed: false,
    title: "show all that is said of every setting",
  })
  readonly head = make(
    "div",
    { class: "wt-settings-head" },
    this.title,
    make("span", { class: "wt-grow" }),
    this.explain,
    this.resetAll,
  )
  readonly body = make(
    "div",
    { class: "wt-settings-body" },
    this.head,
    this.summary,
    this.why,
    this.draw,
    this.layer,
    this.basic,
    this.expert,
    this.opacity,
    this.masks.element,
    this.facts,
  )

  constructor(
    readonly model: Model<SettingsState>,
    { root, signal }: Mount,
  ) {
    this.root = root
    this.act = actor(model, this.status)
    this.plots = new Plots((overlay, number) => this.act("pick", { overlay, number }), signal)
    this.found.after(this.plots.element)
    root.classList.add("wt-card")
    root.append(this.none, this.body, this.status.element)
    this.#home = root.parentElement
    watchState(model, () => this.update(), signal)
    // The card of the step may come later than its settings, and another one when the step is another.
    document.addEventListener(CARDS, (event) => this.#unfold(event.target), { signal })
    this.update()
  }
  #home: HTMLElement | null

  /** Move into the card of the chosen step, where the bench has one; else back to where the settings are at home. */
  #unfold(cards: EventTarget | null = null): void {
    const { root, state } = this
    const home = this.#home
    const bench = home && benchOf(home)
    if (!home || !bench || (cards instanceof Node && !bench.contains(cards))) return
    const chosen = state.index !== null && state.index !== undefined
    const slot = chosen ? bench.querySelector(`[data-slot="${state.key}"]`) : null
    const place = slot ?? home
    if (root.parentElement === place) return
    place.append(root)
    root.dispatchEvent(new CustomEvent(UNFOLDED, { bubbles: true }))
  }

  #explain(): void {
    const all = this.explain.ariaPressed !== "true"
    attribute(this.explain, "aria-pressed", String(all))
    attribute(this.root, "data-explain", all)
  }

  /** Only `index` is there, and null, where no step is chosen. */
  get state(): SettingsState {
    return this.model.get("state") ?? NOTHING
  }

  #take(tool: string): void {
    void this.act("tool", { name: tool })
    this.status.say("Draw on the picture now; Escape there puts the tool down.")
  }

  update(): void {
    const { state } = this
    const { index } = state
    const chosen = index !== null && index !== undefined
    this.none.hidden = chosen
    this.body.hidden = !chosen
    if (!chosen) {
      this.#built = ""
      this.#unfold()
      return
    }
    const built = `${state.key} ${state.id}`
    if (built !== this.#built) this.#rebuild(state)
    this.#built = built
    this.title.textContent = `${index + 1} · ${state.title}`
    for (const field of state.fields) this.rows.get(field.name)?.update(field)
    const changed = state.fields.some((field) => JSON.stringify(field.value) !== JSON.stringify(field.default))
    this.resetAll.hidden = !changed
    this.#updateLayer(state)
    this.#updateOpacity(state)
    this.masks.update(state)
    this.#updateFacts(state)
    tell(this.root, { index, step: state.id })
    this.#unfold()
  }

  #rebuild(state: SettingsState) {
    this.status.clear()
    this.summary.textContent = state.summary
    this.whyWords.replaceChildren(
      ...state.why.map((text: string) => make("p", {}, text)),
      ...(state.details.length ? [make("h3", {}, "How it works")] : []),
      ...state.details.map((text: string) => make("p", { class: "wt-how" }, text)),
    )
    this.why.hidden = !state.why.length && !state.details.length
    this.draw.hidden = !state.tool
    this.rows = new Map(state.fields.map((field) => [field.name, this.#row(field)]))
    const shown = (expert: boolean) =>
      state.fields.filter((field) => field.expert === expert).flatMap(({ name }) => this.rows.get(name)?.element ?? [])
    const [basic, expert] = [shown(false), shown(true)]
    this.basic.replaceChildren(
      ...(state.fields.length ? basic : [make("p", { class: "wt-soft" }, "This step has nothing to set.")]),
    )
    this.expertFields.replaceChildren(...expert)
    this.expertCount.textContent = `(${expert.length})`
    this.expert.hidden = expert.length === 0
    this.masks.clear()
    this.#layerRow = null
    this.#opacityRow = null
  }

  /** Sends the newest of what a moving control says; the step's place may change while the control stays. */
  #sender(command: string): (sent: Sent) => void {
    return newestOnly(({ live, value, done }: Sent) =>
      ask(this.model, command, { index: this.state.index, live, ...value }, { patience: 120 }).then(
        () => {
          this.status.clear()
          done()
        },
        (error: unknown) => {
          this.status.fail(error)
          done()
        },
      ),
    )
  }

  #row(field: Field): Row {
    const { name } = field
    const send = this.#sender("set")
    return settingRow(field, {
      give: (live, value) => {
        const now = this.state.fields.find((each) => each.name === name)
        const { tool, with: along } = now?.first?.[String(value)] ?? {}
        if (!tool) return new Promise((done) => send({ live, value: { [name]: value, ...along }, done }))
        if (now) this.rows.get(name)?.update(now) // not chosen yet: what is drawn chooses it
        this.#take(tool)
        return Promise.resolve()
      },
      reset: () => this.act("reset", { index: this.state.index, names: [name] }),
      take: (tool) => this.#take(tool),
    })
  }

  #updateLayer({ layer }: SettingsState): void {
    this.layer.hidden = !layer
    if (!layer) return
    if (!this.#layerRow) {
      const give = (value: unknown) => this.act("work_on", { index: this.state.index, layer: value })
      const usual = () => this.act("work_on", { index: this.state.index, layer: null })
      this.#layerRow = settingRow(layer, { give: (_live, value) => give(value), reset: usual })
      this.layer.replaceChildren(this.#layerRow.element)
    }
    this.#layerRow.update(layer)
  }

  #updateOpacity({ opacity }: SettingsState): void {
    this.opacity.hidden = !opacity
    if (!opacity) return
    if (!this.#opacityRow) {
      const send = this.#sender("fade")
      this.#opacityRow = settingRow(opacity, {
        give: (live, value) => new Promise((done) => send({ live, value: { opacity: value }, done })),
        reset: () => this.act("fade", { index: this.state.index, opacity: 1 }),
      })
      this.opacity.replaceChildren(this.#opacityRow.element)
    }
    this.#opacityRow.update(opacity)
  }

  #updateFacts({ facts, plots, picked, found, frozen, drafted, measures, on }: SettingsState): void {
    this.facts.hidden = !measures || !on
    this.found.textContent = drafted ? "Measuring…" : found
    this.found.classList.toggle("wt-soft", drafted)
    const words = JSON.stringify(facts)
    if (this.factRows.dataset.words !== words) {
      this.factRows.dataset.words = words
      this.factRows.replaceChildren(
        ...facts.flatMap(([what, value]) => [make("dt", {}, what), make("dd", { class: "wt-figures" }, value)]),
      )
    }
    this.plots.update(plots ?? [], picked ?? null)
    this.numbers.hidden = !facts.length
    this.keepState.textContent = frozen ? "Kept: these numbers are used whatever comes before." : ""
    this.keep.hidden = frozen
    this.keep.disabled = drafted
    this.again.hidden = !frozen
    attribute(this.root, "data-drafted", String(drafted))
  }
}
