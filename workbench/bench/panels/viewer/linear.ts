// What is shown otherwise than it is: a sentence on each side, and a switch. Linear light is nearly black on a screen
// and brightened for it, or shown as it is; a finished picture may be shown as a printer will print it.

import { attribute, button, make } from "../../page/shared/dom"
import type { PictureBench } from "./picture"
import type { SideName } from "./state"

export interface SideNote {
  element: HTMLElement
  update: (side: SideName | null, linear: boolean, room: number) => void
}

/** A note in one corner of the stage. `update(side, linear, room)`: the side that is shown there, null for none,
 *  whether that is linear light, and its share of the stage's width. */
export function makeSideNote(bench: PictureBench, corner: "left" | "right"): SideNote {
  const words = make("span", {})
  let linear = false
  const turn = () =>
    linear ? bench.act("brighten", { on: bench.state.brightened === false }) : bench.act("end_proof", {})
  const press = button("As it is", turn, { pressed: false })
  const element = make("div", { class: `wt-linear wt-chip wt-at-${corner}`, role: "note", hidden: true }, words, press)
  const update = (side: SideName | null, isLinear: boolean, room: number) => {
    const { proof = null } = bench.state
    element.hidden = !side || !(isLinear || proof)
    if (!side || element.hidden) return
    linear = isLinear
    const asItIs = linear && bench.state.brightened === false
    const light = asItIs ? "Linear light as it is" : "Linear light, brightened for the screen only"
    const text = linear ? light : `Soft proof: ${proof}`
    if (words.textContent !== text) words.textContent = text
    press.title = linear ? "linear light without brightening, nearly black" : "the picture without the soft proof"
    attribute(press, "aria-pressed", String(asItIs))
    attribute(element, "data-side", side)
    element.style.maxWidth = `calc(${Math.round(100 * room)}% - 24px)`
  }
  return { element, update }
}
