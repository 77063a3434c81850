// What was measured in the stack, and advice.

import { attribute, button, make } from "../../page/shared/dom"
import { DrawerPanel } from "../../page/shared/drawer"
import type { Model } from "../../page/shared/model"
import { plainWords } from "../../page/shared/numbers"
import type { Mount } from "../../page/shared/panel"
import type { Advice, CheckupState } from "./state"

const SEVERITIES: Record<string, [sign: string, words: string]> = {
  warning: ["▲", "Matters most"],
  advice: ["●", "Worth doing"],
  note: ["○", "Good to know"],
}

export class CheckupDrawer extends DrawerPanel<CheckupState> {
  readonly cards = make("ul", { class: "wt-advice" })
  readonly rows = make("dl", { class: "wt-facts" })
  readonly none = make("p", {})
  readonly caution = make("p", { class: "wt-caution wt-soft" })
  readonly close = button("Close", () => this.putIn(true), { class: "wt-button wt-quiet" })
  readonly head = make("div", { class: "wt-row" }, make("h2", { class: "wt-grow" }, "Check-up"), this.close)
  readonly details = make("details", { open: true }, make("summary", {}, "What was measured"), this.rows)

  constructor(model: Model<CheckupState>, mount: Mount) {
    super("checkup", model, mount)
    this.build(this.head, this.none, this.cards, this.caution, this.details)
  }

  protected override shown(): void {
    if (!this.state.measured?.length && !this.busy) void this.long("check", {}, "measuring the stack", true)
  }

  protected update(state: Partial<CheckupState>): void {
    const { advice = [], measured = [], placed = {}, seen = [], pointed = null, caution = "" } = state
    this.#show(advice, measured, placed, seen)
    this.caution.textContent = caution
    for (const each of this.cards.querySelectorAll<HTMLButtonElement>("button[data-add]")) each.disabled = this.busy
    for (const each of this.cards.querySelectorAll<HTMLButtonElement>("button[data-about]")) {
      attribute(each, "aria-pressed", String(each.dataset.about === pointed))
      each.textContent = each.dataset.about === pointed ? "Marked in the picture" : "Show where"
    }
  }

  #show(advice: Advice[], measured: [string, string][], placed: Record<string, number>, seen: string[]): void {
    const words = JSON.stringify([advice, measured, placed, seen])
    if (words === this.cards.dataset.words) return
    this.cards.dataset.words = words
    this.none.textContent =
      measured.length && !advice.length ? "Nothing stands out: this stack is ready for a recipe." : ""
    this.cards.replaceChildren(...advice.map((one, number) => this.#card(one, number, placed, seen)))
    this.rows.replaceChildren(...measured.flatMap(([what, value]) => [make("dt", {}, what), make("dd", {}, value)]))
    this.details.hidden = !measured.length
  }

  #card(
    { about, severity, says, do: todo, step }: Advice,
    number: number,
    placed: Record<string, number>,
    seen: string[],
  ): HTMLElement {
    const [sign, words] = SEVERITIES[severity] ?? SEVERITIES.note
    return make(
      "li",
      { class: "wt-card", dataset: { severity } },
      make(
        "h3",
        {},
        make("span", { "aria-hidden": "true", class: "wt-sign" }, sign),
        ` ${about}`,
        make("span", { class: "wt-severity" }, words),
      ),
      make("p", {}, says),
      make("p", { class: "wt-todo" }, todo),
      make(
        "div",
        { class: "wt-group" },
        step ? this.#press(step.do, number, placed[step.do]) : null,
        seen.includes(about) ? this.#where(about) : null,
      ),
    )
  }

  /** Marks the place of the finding in the picture, or takes the mark away. */
  #where(about: string): HTMLButtonElement {
    const turn = () => this.act("show_finding", { about: this.state.pointed === about ? null : about })
    return button("Show where", turn, { pressed: false, dataset: { about }, title: `${about}: mark it in the picture` })
  }

  /** Adds the step that was advised, or leads to the one that does it. */
  #press(id: string, number: number, there: number | undefined): HTMLButtonElement {
    const words = plainWords(id)
    const add = async () => {
      const place = await this.long("add_advised", { number }, `adding ${words}`, true)
      if (typeof place === "number") this.status.say(`added as step ${place + 1}`)
    }
    if (there === undefined) return button(`Add this step: ${words}`, add, { dataset: { add: id } })
    return button(`✓ Step ${there + 1} does this: show it`, () => this.act("select", { index: there }))
  }
}
