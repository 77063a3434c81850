// Below the steps: operations to add.

import { attribute, button, freshId, make } from "../../page/shared/dom"
import { onKeys } from "../../page/shared/keys"
import type { RecipeCard } from "./recipe"
import type { Offer, StepsState } from "./state"

export interface Adding {
  element: HTMLElement
  open: HTMLButtonElement
  update: (state: StepsState) => void
}

/** The operations behind "Add a step". */
export function makeAdding(bench: RecipeCard): Adding {
  const id = freshId("adding")
  const groups = make("div", { id, class: "wt-adding", hidden: true })
  const open = button("+ Add a step", () => turn(Boolean(groups.hidden)), {
    "aria-expanded": "false",
    "aria-controls": id,
    class: "wt-button wt-add",
  })
  const turn = (on: boolean) => {
    groups.hidden = !on
    attribute(open, "aria-expanded", String(on))
  }
  onKeys(
    groups,
    {
      Escape: () => {
        turn(false)
        open.focus()
      },
    },
    bench.signal,
  )
  const add = async (operation: Offer) => {
    const place = await bench.act("add", { operation: operation.id })
    if (typeof place !== "number") return
    turn(false)
    bench.list.children[place]?.querySelector<HTMLElement>(".wt-step-title")?.focus()
    bench.status.say(`${operation.title} added as step ${place + 1}`)
  }
  const one = (operation: Offer) => {
    const press = button(operation.title, () => add(operation), {
      class: "wt-button wt-operation",
      dataset: { operation: operation.id },
    })
    press.disabled = !operation.fits
    return make(
      "li",
      {},
      press,
      make("p", { class: "wt-soft" }, operation.first_line),
      operation.fits ? null : make("p", { class: "wt-reason" }, `Not now: ${operation.reason}`),
    )
  }
  let shown = ""
  return {
    element: make("div", { class: "wt-add-row" }, open, groups),
    open,
    update({ operations = [] }) {
      const words = JSON.stringify(operations)
      if (words === shown) return
      shown = words
      groups.replaceChildren(
        ...operations.map((group) =>
          make("section", {}, make("h3", {}, group.title), make("ul", {}, ...group.operations.map(one))),
        ),
      )
    },
  }
}
