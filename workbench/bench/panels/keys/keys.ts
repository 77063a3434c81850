// What keys, wheel and mouse do, listed.

import { make } from "../../page/shared/dom"
import { DrawerPanel, drawerOut, pull } from "../../page/shared/drawer"
import { isTyping } from "../../page/shared/keys"
import type { Model } from "../../page/shared/model"
import type { Mount } from "../../page/shared/panel"

const GROUPS: [string, [string, string][]][] = [
  [
    "On the picture",
    [
      ["Double click", "exact pixels there (1:1); once more: the whole frame"],
      ["Wheel, + and −", "zoom in and out"],
      ["1", "exact pixels"],
      ["0", "the whole frame"],
      ["M", "a loupe that follows the pointer; once more: puts it down"],
      ["Drag, arrows", "move; with Shift in larger steps"],
      ["B held", "the picture before"],
      ["Space held", "move while a tool is in hand"],
      ["Delete", "takes the chosen mark away"],
      ["Escape", "puts the tool down"],
    ],
  ],
  [
    "In the recipe",
    [
      ["Ctrl+Z", "takes the last change back"],
      ["Ctrl+Shift+Z, Ctrl+Y", "makes it again"],
      ["Arrow up or down on a number", "moves the step"],
      ["Home, End on a number", "moves it to the beginning, the end"],
      ["Enter on a number", "shows the settings of the step"],
    ],
  ],
  [
    "In a setting",
    [
      ["Arrows on a slider", "one step; Page up, Page down: a larger one"],
      ["Arrows in a field", "one step; with Shift: ten"],
      ["Enter", "takes what was written"],
      ["Escape", "brings the old value back"],
    ],
  ],
  [
    "Anywhere on the bench",
    [
      ["?", "this list"],
      ["Arrows on the line beside the picture", "more or less room; Enter folds the panels and brings them back"],
      ["Arrows in a row of buttons", "the next one; Tab goes on to the next row"],
      ["Escape", "closes what is open, then brings the notebook back from the whole window"],
    ],
  ],
]

const section = ([name, keys]: (typeof GROUPS)[number]): HTMLElement => {
  const pairs = keys.flatMap(([key, does]) => [make("dt", {}, key), make("dd", {}, does)])
  return make("section", {}, make("h3", {}, name), make("dl", {}, ...pairs))
}

export class KeysDrawer extends DrawerPanel<object> {
  constructor(model: Model<object>, mount: Mount) {
    super("keys", model, mount)
    this.build(...GROUPS.map(section))
  }

  /** The key "?" pulls the list out and puts it in, wherever on the bench it is pressed. */
  protected override placed(bench: HTMLElement): void {
    const asked = (event: KeyboardEvent) => {
      const here = event.target instanceof Node && bench.contains(event.target)
      if (event.key !== "?" || !here || isTyping(event.target)) return
      event.preventDefault()
      pull(bench, drawerOut(bench) === this.name ? null : this.name)
    }
    window.addEventListener("keydown", asked, { signal: this.signal })
  }

  protected update(): void {}
}
