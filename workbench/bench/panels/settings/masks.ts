// What limits the chosen step: a list of masks, each with its controls, and how they are joined.

import { button, make } from "../../page/shared/dom"
import { type Row, settingRow } from "./controls"
import type { MaskState, SettingsState, Where } from "./state"
import type { Sent } from "./step"

type Act = (name: string, wanted: Record<string, unknown>) => Promise<unknown>

export class Masks {
  readonly words = make("p", { class: "wt-soft wt-mask-words" })
  readonly list = make("div", { class: "wt-masks" })
  readonly how = make("select", { class: "wt-select", "aria-label": "How the masks are joined" })
  readonly add = make("select", { class: "wt-select", "aria-label": "Limit this step by" })
  readonly whole = button("Whole frame", () => this.#act("limit", { where: null }), {
    class: "wt-button wt-quiet",
    title: "take all masks away: the step changes the whole frame again",
  })
  readonly element = make(
    "details",
    { class: "wt-where" },
    make("summary", {}, "Only a part of the frame"),
    this.words,
    this.list,
    make("div", { class: "wt-row" }, this.add, this.how, this.whole),
  )
  #rows: Map<string, Row>[] = []
  #built = ""
  readonly #act: Act
  readonly #sender: () => (sent: Sent) => void
  readonly #take: (tool: string) => void

  /** `act` does a command of the step, `sender` makes one for a moving control, `take` takes a tool in hand. */
  constructor(act: Act, sender: () => (sent: Sent) => void, take: (tool: string) => void) {
    this.#act = act
    this.#sender = sender
    this.#take = take
    this.how.append(
      make("option", { value: "union" }, "where any of them is"),
      make("option", { value: "intersection" }, "where all of them are"),
    )
    this.how.addEventListener("change", () => void act("combine_masks", { how: this.how.value }))
    this.add.addEventListener("change", () => void this.#add(this.add.value))
  }

  clear(): void {
    this.#built = ""
    this.list.replaceChildren()
  }

  async #add(kind: string): Promise<void> {
    this.add.value = ""
    if (!kind) return
    await this.#act("add_mask", { kind })
    if (kind === "regions" || kind === "brush") this.#take(`mask.${kind}`)
  }

  update({ where }: SettingsState): void {
    this.element.hidden = !where?.possible
    if (!where?.possible) return
    this.words.textContent = where.words
    this.whole.hidden = where.masks.length < 2
    this.how.hidden = where.how === null
    if (where.how) this.how.value = where.how
    const built = JSON.stringify(where.masks.map(({ kind, fields }) => [kind, fields.length]))
    if (built !== this.#built) this.#build(where)
    this.#built = built
    where.masks.forEach((mask, i) => {
      for (const field of mask.fields) this.#rows[i]?.get(field.name)?.update(field)
    })
  }

  #build({ masks, kinds }: Where): void {
    const first = masks.length ? "Add another mask…" : "Limit it by…"
    this.add.replaceChildren(
      make("option", { value: "" }, first),
      ...kinds.map(([kind, title]) => make("option", { value: kind }, title)),
    )
    this.#rows = masks.map((mask, i) => this.#rowsOf(mask, i))
    this.list.replaceChildren(...masks.map((mask, i) => this.#item(mask, i)))
  }

  #rowsOf({ fields }: MaskState, number: number): Map<string, Row> {
    return new Map(
      fields.map((field) => {
        const { name } = field
        const send = this.#sender()
        const give = (live: boolean, value: unknown): Promise<unknown> =>
          new Promise((done) => send({ live, value: { number, [name]: value }, done }))
        return [name, settingRow(field, { give })]
      }),
    )
  }

  #item({ title, tool, fields }: MaskState, number: number): HTMLElement {
    const shown = (expert: boolean) =>
      fields
        .filter((field) => field.expert === expert)
        .flatMap(({ name }) => this.#rows[number].get(name)?.element ?? [])
    const finer = shown(true)
    return make(
      "section",
      { class: "wt-mask", "aria-label": `Mask ${number + 1}: ${title}` },
      make(
        "div",
        { class: "wt-row" },
        make("h3", { class: "wt-grow" }, title),
        ...(tool ? [button("Draw", () => this.#take(tool), { class: "wt-button" })] : []),
        button("Take away", () => this.#act("remove_mask", { number }), { class: "wt-button wt-quiet" }),
      ),
      make("div", { class: "wt-fields" }, ...shown(false)),
      ...(finer.length
        ? [make("details", { class: "wt-expert" }, make("summary", {}, "Finer settings"), ...finer)]
        : []),
    )
  }
}
