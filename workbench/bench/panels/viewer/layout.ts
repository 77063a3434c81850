// The parts of the picture panel and where they stand.

import { attribute, button, make, tell } from "../../page/shared/dom"
import { oneTabStop } from "../../page/shared/keys"
import { type Compare, type Divider, makeCompare, makeDivider } from "./compare"
import { layerButtons } from "./layers"
import { makeSideNote, type SideNote } from "./linear"
import { makeMap, type OverviewMap } from "./map"
import { windowButton } from "./own_window"
import type { PictureBench } from "./picture"
import type { ViewerState } from "./state"
import { toolsOf } from "./tools"

const STAGE = "Picture. Plus and minus zoom, 0 fits, 1 shows exact pixels, arrows move, B held shows before"

export interface Parts {
  picture: HTMLCanvasElement
  marks: HTMLCanvasElement
  badges: HTMLElement
  /** About linear light and soft proofs, in the corners of the two sides. */
  linear: { left: SideNote; right: SideNote }
  legend: HTMLElement
  handle: Divider
  empty: HTMLElement
  stage: HTMLElement
  zoomWords: HTMLElement
  tools: Switches
  overlays: Switches
  compareGroup: Compare
  layers: Switches
  map: OverviewMap
}

/** Make the parts and put them into the panel; what changes later is returned by name. */
export function layOut(bench: PictureBench): Parts {
  const parts: Parts = {
    picture: make("canvas", { role: "img", class: "wt-picture" }),
    marks: make("canvas", { class: "wt-marks", "aria-hidden": "true" }),
    badges: make("div", { class: "wt-badges" }),
    linear: { left: makeSideNote(bench, "left"), right: makeSideNote(bench, "right") },
    legend: make("ul", { class: "wt-legend" }),
    handle: makeDivider(bench),
    empty: make("p", { class: "wt-empty" }, "Open a stack, and it is shown here."),
    stage: make("div", { class: "wt-stage", tabindex: "0", role: "application", "aria-label": STAGE }),
    zoomWords: make("output", { class: "wt-zoom wt-figures", "aria-live": "off" }),
    tools: toolButtons(bench),
    overlays: overlayButtons(bench),
    compareGroup: makeCompare(bench),
    layers: layerButtons(bench),
    map: makeMap(bench),
  }
  const { picture, marks, badges, linear, legend, handle, empty, stage } = parts
  const notes = [
    badges,
    linear.left.element,
    linear.right.element,
    legend,
    parts.layers.element,
    parts.map.element,
    empty,
  ]
  stage.append(
    picture,
    marks,
    bench.sky.element,
    bench.magnifier.element,
    handle.element,
    bench.tools.handles.layer,
    ...notes,
  )
  const gap = () => make("span", { class: "wt-grow" })
  const own = bench.again ? windowButton(bench.again, (text) => bench.status.fail(text), bench.signal) : ""
  bench.root.append(
    make("div", { class: "wt-row" }, parts.tools.element, gap(), zoomButtons(bench, parts.zoomWords)),
    stage,
    // Below the print, which stays where it is when a tool is taken up.
    make("div", { class: "wt-foot" }, bench.tools.hint, bench.readout.element),
    make("div", { class: "wt-row wt-under" }, parts.overlays.element, gap(), parts.compareGroup.element, own),
    bench.status.element,
  )
  const nothing = { frames: 0, framesBefore: 0, generation: "", draft: "", zoom: "", tool: "look" }
  tell(bench.root, nothing)
  return parts
}

/** A group of switches that is made anew when other ones are offered; `update` is called for every state. */
export interface Switches {
  element: HTMLElement
  update: (state: ViewerState) => void
}

function toolButtons(bench: PictureBench): Switches {
  const label = "What dragging on the picture does"
  const one = (id: string, words: string, shown: string, title: string) => {
    const made = button(shown, () => bench.act("tool", { name: id }), { pressed: false, title, dataset: { tool: id } })
    attribute(made, "aria-label", words)
    return made
  }
  return switches(bench, label, [], (state) => {
    const tools = toolsOf(state)
    return tools.map(({ id, words, help }, i) => {
      // "Mask: regions", "Mask: brush" beside each other read as "Mask: regions", "brush".
      const [group, rest] = words.split(": ")
      const shown = rest && tools[i - 1]?.words.startsWith(`${group}: `) ? rest : words
      return {
        id: `${id} ${words} ${help}`,
        on: (state.tool ?? "look") === id,
        make: () => one(id, words, shown, help),
      }
    })
  })
}

function overlayButtons(bench: PictureBench): Switches {
  const label = "What lies over the picture"
  const isOn = (id: string) => Boolean(bench.state.overlays?.find((each) => each.id === id)?.on)
  const one = (id: string, words: string) => {
    const turn = () => bench.act("overlay", { name: id, on: !isOn(id) })
    return button(words, turn, { pressed: false, dataset: { overlay: id } })
  }
  return switches(bench, label, [make("span", { class: "wt-label" }, "Show")], (state) =>
    (state.overlays ?? []).map(({ id, words, on }) => ({ id: `${id} ${words}`, on, make: () => one(id, words) })),
  )
}

/** What one switch is made from. */
interface Offer {
  id: string
  on: boolean
  make: () => HTMLButtonElement
}

function switches(
  bench: PictureBench,
  label: string,
  first: HTMLElement[],
  offered: (state: ViewerState) => Offer[],
): Switches {
  const element = make("div", { class: "wt-group", role: "toolbar", "aria-label": label })
  let shown = ""
  let buttons: HTMLButtonElement[] = []
  const update = (state: ViewerState) => {
    const offers = offered(state)
    const ids = JSON.stringify(offers.map(({ id }) => id))
    if (ids !== shown) {
      shown = ids
      buttons = offers.map((offer) => offer.make())
      element.replaceChildren(...first, ...buttons)
    }
    offers.forEach(({ on }, i) => attribute(buttons[i], "aria-pressed", String(on)))
    oneTabStop(element, bench.signal)
  }
  return { element, update }
}

function zoomButtons({ view, glide }: PictureBench, words: HTMLElement): HTMLElement {
  const named = (text: string) => ({ "aria-label": text, title: text })
  return make(
    "div",
    { class: "wt-group", role: "group", "aria-label": "Zoom" },
    words,
    button("−", () => glide.to(view.rung(-1, glide.goal)), named("zoom out")),
    button("+", () => glide.to(view.rung(1, glide.goal)), named("zoom in")),
    button("Fit", () => glide.to(view.fitZoom), named("fit the whole frame")),
    button("1:1", () => glide.to(1), named("one picture pixel on one screen pixel")),
  )
}
