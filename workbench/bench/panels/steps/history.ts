// What was done, line by line: each line leads back or forward to it.

import { attribute, button, make } from "../../page/shared/dom"
import { oneTabStop } from "../../page/shared/keys"
import type { RecipeCard } from "./recipe"
import type { StepsState } from "./state"

export interface History {
  element: HTMLElement
  update: (state: StepsState) => void
}

export function makeHistory(bench: RecipeCard): History {
  const list = make("ol", { class: "wt-history", "aria-label": "What was done, the newest last" })
  const count = make("span", { class: "wt-soft" })
  const element = make("details", { class: "wt-done" }, make("summary", {}, "What was done", count), list)
  const toHere = () => {
    const here = list.querySelector<HTMLElement>("[aria-current]")
    if (here) list.scrollTop = here.offsetTop - list.clientHeight / 2
  }
  element.addEventListener("toggle", toHere, { signal: bench.signal })
  let shown = ""
  return {
    element,
    update({ history = [], here = 0 }: StepsState) {
      const words = JSON.stringify([history, here])
      if (words === shown) return
      shown = words
      count.textContent = here ? ` (${here})` : ""
      element.hidden = history.length < 2
      const held = list.contains(document.activeElement)
      list.replaceChildren(
        ...history.map((text, place) => {
          const press = button(text, () => bench.act("go_to", { place }), {
            class: "wt-line",
            title: place > here ? "make this and all before it again" : "go back to this",
          })
          attribute(press, "aria-current", place === here ? "step" : null)
          return make("li", { class: place > here ? "wt-undone" : null }, press)
        }),
      )
      oneTabStop(list, bench.signal)
      toHere()
      if (held) list.querySelector<HTMLElement>("[aria-current]")?.focus()
    },
  }
}
