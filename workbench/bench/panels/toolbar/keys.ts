// What keys, wheel and mouse do, listed.

import { make } from "../../page/shared/dom"
import type { Drawer } from "./toolbar"

const GROUPS: [string, [string, string][]][] = [
  [
    "On the picture",
    [
      ["Double click", "exact pixels there (1:1); once more: the whole frame"],
      ["Wheel, + and −", "zoom in and out"],
      ["1", "exact pixels"],
      ["0", "the whole frame"],
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
      ["Arrows in a row of buttons", "the next one; Tab goes on to the next row"],
      ["Escape", "closes what is open, then brings the notebook back from the whole window"],
    ],
  ],
]

export class KeysDrawer implements Drawer {
  readonly element = make(
    "div",
    { class: "wt-keys" },
    ...GROUPS.map(([name, keys]) =>
      make(
        "section",
        {},
        make("h3", {}, name),
        make("dl", {}, ...keys.flatMap(([key, does]) => [make("dt", {}, key), make("dd", {}, does)])),
      ),
    ),
  )
  shown = (): void => {}
  update = (): void => {}
}
