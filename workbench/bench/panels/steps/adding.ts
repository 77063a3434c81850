// Below the steps: operations to add, and variants of the recipe.

import { attribute, button, freshId, make } from "../../page/shared/dom"
import { onKeys } from "../../page/shared/keys"
import type { RecipeCard } from "./recipe"
import type { Offer, StepsState } from "./state"

export interface Adding {
  element: HTMLElement
  open: HTMLButtonElement
  update: (state: StepsState) => void
}

export interface Variants {
  element: HTMLElement
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

/** Recipes kept under a name, to be compared and used again. */
export function makeVariants(bench: RecipeCard): Variants {
  const name = make("input", {
    class: "wt-input",
    type: "text",
    "aria-label": "Name of the variant",
    placeholder: "name, such as 'darker sky'",
    spellcheck: "false",
  })
  const list = make("ul", { class: "wt-variants-list" })
  const keep = async () => {
    if ((await bench.act("keep_variant", { name: name.value })) !== undefined) name.value = ""
  }
  const form = make(
    "form",
    { class: "wt-row" },
    name,
    make("button", { type: "submit", class: "wt-button" }, "Keep this recipe"),
  )
  form.addEventListener("submit", (event) => {
    event.preventDefault()
    void keep()
  })
  const compare = (variant: string) => {
    const { kind, name: shown } = bench.state.compare ?? {}
    void bench.act("compare", kind === "variant" && shown === variant ? {} : { variant })
  }
  const one = (variant: string, state: StepsState) => {
    const on = state.compare?.kind === "variant" && state.compare.name === variant
    const props = (words: string) => ({ "aria-label": `${words} ${variant}` })
    const sideBySide = button("Compare", () => compare(variant), {
      pressed: on,
      ...props("compare with variant"),
      title: "this variant on the left of a divider",
    })
    sideBySide.disabled = !state.opened
    return make(
      "li",
      { class: "wt-row", dataset: { variant } },
      make("span", { class: "wt-grow" }, variant),
      sideBySide,
      button("Use", () => bench.act("use_variant", { name: variant }), {
        ...props("use variant"),
        title: "make this the recipe (can be undone)",
      }),
      button("Forget", () => bench.act("drop_variant", { name: variant }), props("forget variant")),
    )
  }
  let shown = ""
  return {
    element: make("details", { class: "wt-variants" }, make("summary", {}, "Variants"), form, list),
    update(state: StepsState) {
      const words = JSON.stringify([state.variants, state.compare, state.opened])
      if (words === shown) return
      shown = words
      const focused = list.contains(document.activeElement) ? document.activeElement?.getAttribute("aria-label") : null
      list.replaceChildren(...(state.variants ?? []).map((variant) => one(variant, state)))
      if (focused) list.querySelector<HTMLElement>(`[aria-label="${CSS.escape(focused)}"]`)?.focus()
    },
  }
}
