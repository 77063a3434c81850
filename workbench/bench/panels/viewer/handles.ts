// What can be grabbed and tabbed to on the picture: the edges of a rectangle, marks of places and of regions.

import { attribute, button, make } from "../../page/shared/dom"
import { regionMiddle } from "./pen"
import type { PictureBench } from "./picture"
import { sizeWords } from "./rectangle"
import type { Tools } from "./tools"

const HANDLES: Record<string, string> = {
  move: "whole region",
  nw: "top left corner",
  n: "top edge",
  ne: "top right corner",
  e: "right edge",
  se: "bottom right corner",
  s: "bottom edge",
  sw: "bottom left corner",
  w: "left edge",
}

export class Handles {
  layer = make("div", { class: "wt-handles" })
  #bench: PictureBench
  #tools: Tools
  #shown = "" // what the handles were made for

  /** `bench` as for the tools, which know what is edited and where. */
  constructor(bench: PictureBench, tools: Tools) {
    this.#bench = bench
    this.#tools = tools
  }

  /** Put the handles where they belong; called for every picture of the stage. */
  place(): void {
    const { regions, places } = this.#tools
    const wanted = JSON.stringify([this.#tools.name, Boolean(this.#tools.region), regions.length, places.length])
    if (wanted !== this.#shown) this.#makeHandles()
    this.#shown = wanted
    for (const each of this.layer.querySelectorAll("button")) {
      const { handle, region, mark } = each.dataset
      if (handle) this.#placeHandle(each, handle)
      if (region) this.#put(each, ...regionMiddle(regions[Number(region)]))
      if (mark) this.#put(each, ...this.#tools.markPlace(Number(mark)))
    }
  }

  #put(mark: HTMLElement, x: number, y: number) {
    const [sx, sy] = this.#bench.view.toStage(x, y)
    const unit = this.#bench.unit
    mark.style.translate = `${sx / unit}px ${sy / unit}px`
  }

  #placeHandle(mark: HTMLElement, handle: string) {
    const { region } = this.#tools
    if (!region) return
    const { x0, y0, x1, y1 } = region
    const unit = this.#bench.unit
    const x = handle.includes("w") ? x0 : handle.includes("e") ? x1 : (x0 + x1) / 2
    const y = handle.includes("n") ? y0 : handle.includes("s") ? y1 : (y0 + y1) / 2
    if (handle === "move") {
      this.#put(mark, x0, y0)
      mark.style.width = `${((x1 - x0) * this.#bench.view.zoom) / unit}px`
      mark.style.height = `${((y1 - y0) * this.#bench.view.zoom) / unit}px`
      attribute(mark, "aria-label", `${HANDLES.move}, ${sizeWords(region)}, move it with the arrow keys`)
      return
    }
    this.#put(mark, x, y)
    attribute(mark, "aria-label", `${HANDLES[handle]} at column ${Math.round(x)}, row ${Math.round(y)}`)
  }

  #makeHandles() {
    const active = this.layer.ownerDocument.activeElement
    const focused = Object.entries(active instanceof HTMLElement ? active.dataset : {})
    const inside = this.layer.contains(active)
    const marks = [...this.#edges(), ...this.#regions(), ...this.#places()]
    this.layer.replaceChildren(...marks)
    const again = inside && marks.find((mark) => focused.every(([key, value]) => mark.dataset[key] === value))
    if (again) again.focus({ preventScroll: true })
    else if (inside) this.#bench.focus()
  }

  /** Grips of the rectangle that is edited. */
  #edges(): HTMLButtonElement[] {
    if (!this.#tools.region) return []
    return Object.keys(HANDLES).map((handle) =>
      make("button", { type: "button", class: "wt-handle", dataset: { handle } }),
    )
  }

  /** Buttons that take drawn regions away. */
  #regions(): HTMLButtonElement[] {
    return this.#tools.regions.map((_, i) => {
      const label = `take region ${i + 1} away`
      const props = { dataset: { region: i }, "aria-label": label, class: "wt-button wt-unmark" }
      return button("take away", () => this.#tools.erase(i), props)
    })
  }

  /** Marks of places. */
  #places(): HTMLButtonElement[] {
    const item = this.#tools.tool?.item ?? ""
    return this.#tools.places.map((_, i) => {
      const label = `${item} ${i + 1}: arrow keys move it, Delete takes it away`
      return make("button", { type: "button", class: "wt-mark", dataset: { mark: i }, "aria-label": label })
    })
  }

  focus(handle: string): void {
    this.layer.querySelector<HTMLElement>(`[data-handle="${handle}"]`)?.focus()
  }
}
