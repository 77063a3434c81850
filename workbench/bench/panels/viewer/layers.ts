// Starless light and stars: which of the two is seen, where they lie apart.

import { attribute, button, make } from "../../page/shared/dom"
import { oneTabStop } from "../../page/shared/keys"
import type { Switches } from "./layout"
import type { PictureBench } from "./picture"
import type { LayerName } from "./state"

const LAYERS: [LayerName, words: string, title: string][] = [
  ["both", "Both", "the picture with its stars"],
  ["starless", "Starless", "the picture without its stars"],
  ["stars", "Stars", "the stars alone"],
]

/** A choice in the corner of the picture; hidden where no step takes the stars off. */
export function layerButtons(bench: PictureBench): Switches {
  const buttons = LAYERS.map(([layer, words, title]) =>
    button(words, () => bench.act("see", { layer }), { pressed: false, title, dataset: { layer } }),
  )
  const label = make("span", { class: "wt-label" }, "Layer")
  const element = make("div", { class: "wt-layers", role: "toolbar", "aria-label": "Which layer is seen" })
  element.append(label, ...buttons)
  return {
    element,
    update({ layers }) {
      element.hidden = !layers?.offered
      for (const each of buttons) attribute(each, "aria-pressed", String(each.dataset.layer === layers?.shown))
      oneTabStop(element, bench.signal)
    },
  }
}
