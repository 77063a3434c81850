// Variants of the recipe, side by side as small pictures, to be compared and used again.

import { button, make } from "../../page/shared/dom"
import type { RecipeCard } from "./recipe"
import type { StepsState } from "./state"

export interface Variants {
  element: HTMLElement
  update: (state: StepsState) => void
}

/** Recipes kept under a name. */
export function makeVariants(bench: RecipeCard): Variants {
  const name = make("input", {
    class: "wt-input",
    type: "text",
    "aria-label": "Name of the variant",
    placeholder: "name, such as 'darker sky'",
    spellcheck: "false",
  })
  const list = make("ul", { class: "wt-variants-list" })
  const count = make("span", { class: "wt-soft" })
  const keep = async () => {
    if ((await bench.act("keep_variant", { name: name.value })) !== undefined) name.value = ""
  }
  const submit = make("button", { type: "submit", class: "wt-button" }, "Keep this recipe")
  const form = make("form", { class: "wt-row" }, name, submit)
  form.addEventListener("submit", (event) => {
    event.preventDefault()
    void keep()
  })
  let shown = ""
  return {
    element: make("details", { class: "wt-variants" }, make("summary", {}, "Variants", count), form, list),
    update(state: StepsState) {
      const { variants = [], variant_pictures = {}, used = [], compare, opened } = state
      const words = JSON.stringify([variants, variant_pictures, used, compare, opened])
      if (words === shown) return
      shown = words
      count.textContent = variants.length ? ` (${variants.length})` : ""
      const focused = list.contains(document.activeElement) ? document.activeElement?.getAttribute("aria-label") : null
      list.replaceChildren(...variants.map((variant) => one(bench, variant, state)))
      if (focused) list.querySelector<HTMLElement>(`[aria-label="${CSS.escape(focused)}"]`)?.focus()
    },
  }
}

function one(bench: RecipeCard, variant: string, state: StepsState): HTMLElement {
  const { compare, variant_pictures = {}, used = [], opened } = state
  const compared = compare?.kind === "variant" && compare.name === variant
  const now = used.includes(variant)
  const props = (words: string) => ({ "aria-label": `${words} ${variant}`, class: "wt-button wt-quiet" })
  const use = () => bench.act("use_variant", { name: variant })
  const picture = variant_pictures[variant]
  const view = picture
    ? make("img", { src: picture, alt: `variant ${variant}`, title: variant, on: { click: use } })
    : make("div", { class: "wt-no-picture" })
  const sideBySide = button("Compare", () => bench.act("compare", compared ? {} : { variant }), {
    pressed: compared,
    ...props("compare with variant"),
    title: "this variant on the left of a divider",
  })
  sideBySide.disabled = !opened
  const title = "make this the recipe (can be undone)"
  const press = button("Use", use, { ...props("use variant"), title })
  press.disabled = now
  return make(
    "li",
    { dataset: { variant }, class: now ? "wt-used" : null },
    make(
      "figure",
      {},
      view,
      make("figcaption", {}, variant, now ? make("span", { class: "wt-soft" }, " · as it lies") : null),
    ),
    make(
      "div",
      { class: "wt-group" },
      press,
      sideBySide,
      button("Forget", () => bench.act("drop_variant", { name: variant }), props("forget variant")),
    ),
  )
}
