// Linear light is nearly black on a screen: a sentence on each side that shows it, and a switch between brightened for
// the screen and as it is.

import { attribute, button, make } from "../../page/shared/dom"
import type { PictureBench } from "./picture"
import type { SideName } from "./state"

export interface LinearNote {
  element: HTMLElement
  update: (side: SideName | null, room: number) => void
}

/** A note in one corner of the stage. `update(side, room)`: the side that shows linear light there, null for none, and
 *  its share of the stage's width. */
export function makeLinearNote(bench: PictureBench, corner: "left" | "right"): LinearNote {
  const words = make("span", {})
  const turn = () => bench.act("brighten", { on: bench.state.brightened === false })
  const press = button("As it is", turn, { pressed: false, title: "linear light without brightening, nearly black" })
  const element = make("div", { class: `wt-linear wt-chip wt-at-${corner}`, role: "note", hidden: true }, words, press)
  const update = (side: SideName | null, room: number) => {
    element.hidden = !side
    if (!side) return
    const asItIs = bench.state.brightened === false
    const text = asItIs ? "Linear light as it is" : "Linear light, brightened for the screen only"
    if (words.textContent !== text) words.textContent = text
    attribute(press, "aria-pressed", String(asItIs))
    attribute(element, "data-side", side)
    element.style.maxWidth = `calc(${Math.round(100 * room)}% - 24px)`
  }
  return { element, update }
}
