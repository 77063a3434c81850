// Tools on the picture: what a drag, a click or a key does, and what is drawn meanwhile.
// What can be drawn and how is what operations declare; no operation is known here by name.

import { button, datasetOf, make } from "../../page/shared/dom"
import { clamp } from "../../page/shared/numbers"
import { Handles } from "./handles"
import { drawCircle, drawLine } from "./overlays"
import { middleOf, type Pen, stroke } from "./pen"
import type { PictureBench } from "./picture"
import { between, dragged, ellipseIn, rectangle, sizeWords, thirds } from "./rectangle"
import type { Drawn, DrawnKind, Margins, Place, Point, Rect, Region, Tool, ViewerState } from "./state"

/** Tools that belong to the picture itself. */
const LOOK = { words: "Look", help: "Drag to move the picture; double-click for 1:1 and back." }
const LOUPE = {
  words: "Loupe",
  help: "Exact pixels under the pointer (M); a click shows the place at 1:1, Enter the middle.",
}

/** All tools in order: those of the picture, and those that operations declare. */
export const toolsOf = (state: ViewerState): { id: string; words: string; help: string }[] => [
  { id: "look", ...LOOK },
  { id: "place", ...LOUPE },
  ...(state.tools ?? []),
]

export type Shape = "rectangle" | "ellipse"

const tenths = (value: number) => Math.round(value * 10) / 10

/** A drawn rectangle as the region that recipes keep; their places are pixel centers. */
function regionOf({ x0, y0, x1, y1 }: Rect, shape: Shape): Region {
  if (shape === "ellipse") {
    const [x, y] = [tenths((x0 + x1 - 1) / 2), tenths((y0 + y1 - 1) / 2)]
    return { shape, x, y, along: tenths((x1 - x0) / 2), across: tenths((y1 - y0) / 2), angle_deg: 0 }
  }
  return { shape, x0: tenths(x0 - 0.5), y0: tenths(y0 - 0.5), x1: tenths(x1 - 0.5), y1: tenths(y1 - 0.5) }
}

/** What is in the hand: a handle of the rectangle that was `rect`, or a mark that is at a place now. */
type Drag = { handle: string; rect: Rect; mark?: undefined } | { mark: number; at: Point; handle?: undefined }

export class Tools {
  rect: Rect | null = null // being edited, not yet applied
  shape: Shape = "rectangle"
  radius: number | null = null // of the brush, in pixels of the frame; null: not chosen yet
  /** Where the pointer went, in the hand and not yet told: of a stroke all places, of a line or circle both ends. */
  trail: Point[] = []
  drag: Drag | null = null
  readonly handles: Handles
  readonly hint = make("div", { class: "wt-hint wt-row" })
  #nudge: { number: number; at: Point; timer: ReturnType<typeof setTimeout> } | null = null // a mark moved by keys

  constructor(readonly bench: PictureBench) {
    this.handles = new Handles(bench, this)
  }

  get name(): string {
    return this.bench.state.tool ?? "look"
  }

  /** The tool in hand, if an operation declares it. */
  get tool(): Tool | undefined {
    return this.bench.state.tools?.find(({ id }) => id === this.name)
  }

  /** How it draws: by the operation's declaration, else its own name. */
  get kind(): DrawnKind | "look" | "place" {
    return this.tool?.kind ?? (this.name === "place" ? "place" : "look")
  }

  /** Whether dragging draws a rectangle. */
  get draws(): boolean {
    return this.kind === "margins" || this.kind === "regions" || this.kind === "rectangle"
  }

  /** Whether dragging draws along the pointer's way: a brush, a line, a circle. */
  get trails(): boolean {
    return this.kind === "strokes" || this.kind === "segment" || this.kind === "circle"
  }

  /** Radius of the brush, in pixels of the frame. */
  get brush(): number {
    const { width, height } = this.bench.view.frame
    return this.radius ?? this.tool?.radius ?? Math.max(1, Math.round(Math.max(width, height) / 40))
  }

  /** What was drawn with the tool in hand. */
  get #drawn(): Drawn | undefined {
    return this.bench.state.overlay_data?.drawn?.find(({ tool }) => tool === this.name)
  }

  /** Regions that were drawn with the tool in hand. */
  get regions(): Region[] {
    const drawn = this.#drawn
    return drawn?.kind === "regions" ? drawn.items : []
  }

  /** Places that were set with the tool in hand. */
  get places(): Place[] {
    const drawn = this.#drawn
    return drawn?.kind === "places" ? drawn.items : []
  }

  /** The rectangle on the stage; margins start from those that the recipe has. */
  get region(): Rect | null {
    if (this.rect || this.kind !== "margins" || !this.bench.view.known) return this.rect
    const { width, height } = this.bench.view.frame
    const drawn = this.#drawn
    const [margins] = drawn?.kind === "margins" ? drawn.items : []
    const { top, right, bottom, left } = margins ?? { top: 0, right: 0, bottom: 0, left: 0 }
    return { x0: left, y0: top, x1: Math.max(width - right, left + 1), y1: Math.max(height - bottom, top + 1) }
  }

  get isWhole(): boolean {
    const { width, height } = this.bench.view.frame
    const { region } = this
    if (!region) return false
    const { x0, y0, x1, y1 } = region
    return x0 <= 0 && y0 <= 0 && x1 >= width && y1 >= height
  }

  // -- what a person does -------------------------------------------------------------------------

  /** The pointer went on; `straight` draws a line from where it began. */
  follow(at: Point, straight = false): void {
    const last = this.trail.at(-1)
    // Closer than a fifth of the brush a place says nothing new.
    const near = last && Math.hypot(at[0] - last[0], at[1] - last[1]) < 0.2 * this.brush
    if (this.kind !== "strokes" || straight) this.trail = [this.trail[0] ?? at, at]
    else if (!near) this.trail.push(at)
    this.bench.changed()
  }

  /** The pointer was lifted: what it drew is kept. */
  followed(): void {
    const value = this.#trailed()
    this.trail = []
    if (value) void this.bench.act("draw", { what: this.name, value })
    this.bench.changed()
  }

  /** What lies along the trail, in pixel centers; null where it is nothing. */
  #trailed(): Record<string, unknown> | null {
    const points = this.trail.map(([x, y]) => [tenths(x - 0.5), tenths(y - 0.5)])
    if (this.kind === "strokes") return points.length ? { radius: this.brush, points } : null
    const [[x0, y0], [x1, y1]] = [points[0] ?? [0, 0], points.at(-1) ?? [0, 0]]
    const apart = tenths(Math.hypot(x1 - x0, y1 - y0))
    if (apart < 1) return null
    return this.kind === "circle" ? { x: x0, y: y0, outer: apart } : { x0, y0, x1, y1 }
  }

  start(handle: string): void {
    if (this.region) this.drag = { handle, rect: this.region }
  }

  draw(from: Point, to: Point): void {
    this.rect = between(from, to, this.bench.view.frame)
    this.bench.changed()
  }

  pull(dx: number, dy: number): void {
    if (this.drag?.handle === undefined) return
    const { handle, rect } = this.drag
    this.rect = dragged(rect, handle, dx, dy, this.bench.view.frame)
    this.bench.changed()
  }

  /** A drag on the bare stage ended: regions are kept at once, margins wait to be applied. */
  drawn(): void {
    const { rect } = this
    const tiny = !rect || rect.x1 - rect.x0 < 2 || rect.y1 - rect.y0 < 2
    if (tiny) this.cancel()
    else if (this.kind !== "margins") this.apply()
  }

  apply(): void {
    const { region, kind } = this
    if (!region) return
    this.rect = null
    void this.bench.act("draw", { what: this.name, value: this.#valueOf(region) })
    // Of regions there may be more.
    if (kind !== "regions") void this.bench.act("tool", { name: "look" })
    this.bench.changed()
  }

  /** A rectangle as the setting has it. */
  #valueOf(rect: Rect): Region | Margins | Rect {
    if (this.kind === "regions") return regionOf(rect, this.shape)
    const { width, height } = this.bench.view.frame
    const [x0, y0, x1, y1] = [rect.x0, rect.y0, rect.x1, rect.y1].map(Math.round)
    if (this.kind === "margins") return { top: y0, right: width - x1, bottom: height - y1, left: x0 }
    return { x0, y0, x1, y1 }
  }

  cancel(): void {
    const nothing = !this.rect && !this.trail.length
    this.rect = null
    this.trail = []
    if (nothing && this.name !== "look") void this.bench.act("tool", { name: "look" })
    this.bench.changed()
    this.bench.focus()
  }

  /** Enter on the picture: apply what is drawn, or begin in the middle of what is seen. */
  enter(): void {
    const { view } = this.bench
    const middle = view.toFrame(view.stage.width / 2, view.stage.height / 2)
    if (this.kind === "place") this.bench.lookAt(middle)
    else if (this.kind === "places") this.setPlace(middle)
    else if (this.draws && this.region) this.apply()
    else if (this.draws) {
      const seen = view.visible()
      if (!seen) return
      const [dx, dy] = [seen.width / 8, seen.height / 8]
      this.draw([middle[0] - dx, middle[1] - dy], [middle[0] + dx, middle[1] + dy])
      this.handles.place() // they must be there to take the focus
      this.handles.focus("move")
    }
  }

  setPlace([x, y]: Point): void {
    const { width, height } = this.bench.view.frame
    if (x < 0 || y < 0 || x >= width || y >= height) return
    void this.bench.act("draw", { what: this.name, value: { y: tenths(y - 0.5), x: tenths(x - 0.5) } })
  }

  movePlace(number: number, [x, y]: Point): Promise<unknown> {
    const { width, height } = this.bench.view.frame
    const value = { x: tenths(clamp(x - 0.5, 0, width - 1)), y: tenths(clamp(y - 0.5, 0, height - 1)) }
    return this.bench.act("redraw", { what: this.name, number, value })
  }

  /** Take a drawn thing away. */
  erase(number: number): Promise<unknown> {
    return this.bench.act("erase", { what: this.name, number })
  }

  /** Arrow keys on a handle or a mark; one press is one screen pixel, with Shift ten. */
  nudge(event: KeyboardEvent): boolean {
    const moves: Record<string, [number, number]> = {
      ArrowLeft: [-1, 0],
      ArrowRight: [1, 0],
      ArrowUp: [0, -1],
      ArrowDown: [0, 1],
    }
    const move = moves[event.key]
    const { handle, mark } = datasetOf(event)
    if (mark !== undefined && (event.key === "Delete" || event.key === "Backspace")) {
      void this.erase(Number(mark))
      this.bench.focus()
      return true
    }
    if (!move || (handle === undefined && mark === undefined)) return false
    const by = (event.shiftKey ? 10 : 1) * Math.max(1, Math.round(this.bench.unit / this.bench.view.zoom))
    if (handle !== undefined) {
      this.start(handle)
      this.pull(move[0] * by, move[1] * by)
    } else this.#nudgeMark(Number(mark), move[0] * by, move[1] * by)
    return true
  }

  #nudgeMark(number: number, dx: number, dy: number) {
    const from = this.markPlace(number)
    clearTimeout(this.#nudge?.timer)
    const at: Point = [from[0] + dx, from[1] + dy]
    const told = async () => {
      await this.movePlace(number, at)
      this.#nudge = null
    }
    // Every move may measure anew, so it is told when the key rests.
    const timer = setTimeout(() => void told(), 350)
    this.#nudge = { number, at, timer }
    this.bench.changed()
  }

  /** Where a mark is: in the hand, or where the recipe has it. */
  markPlace(number: number): Point {
    if (this.#nudge?.number === number) return this.#nudge.at
    if (this.drag?.mark === number) return this.drag.at
    return middleOf(this.places[number])
  }

  // -- what is seen -------------------------------------------------------------------------------

  /** Draw the frame being edited, with thirds for composing. */
  paint(pen: Pen): void {
    this.#paintTrail(pen)
    const { region, kind } = this
    if (!region) return
    const { context, view } = pen
    const [left, top] = view.toStage(region.x0, region.y0)
    const [right, bottom] = view.toStage(region.x1, region.y1)
    const outline =
      kind === "regions" && this.shape === "ellipse"
        ? ellipseIn(left, top, right, bottom)
        : rectangle(left, top, right, bottom)
    if (kind === "margins") {
      const rest = rectangle(...view.toStage(0, 0), ...view.toStage(view.frame.width, view.frame.height))
      rest.addPath(outline)
      context.fillStyle = "rgb(16 14 12 / 0.62)"
      context.fill(rest, "evenodd")
      stroke(pen, thirds(left, top, right, bottom), { width: 0.5, color: "rgb(255 227 163 / 0.5)" })
    }
    stroke(pen, outline, { width: 1.5 })
  }

  #paintTrail(pen: Pen): void {
    if (!this.trail.length) return
    const { view, context } = pen
    const [[x0, y0], [x1, y1]] = [this.trail[0], this.trail[this.trail.length - 1]].map(([x, y]) => [x - 0.5, y - 0.5])
    if (this.kind === "segment") drawLine(pen, { x0, y0, x1, y1 }, this.name.startsWith("mask."))
    else if (this.kind === "circle") drawCircle(pen, { x: x0, y: y0, outer: Math.hypot(x1 - x0, y1 - y0) })
    else {
      context.save()
      context.lineWidth = 2 * this.brush * view.zoom
      context.lineCap = context.lineJoin = "round"
      context.strokeStyle = "rgb(255 227 163 / 0.4)"
      context.beginPath()
      for (const [x, y] of this.trail) context.lineTo(...view.toStage(x, y))
      const [first] = this.trail
      if (this.trail.length === 1) context.lineTo(...view.toStage(first[0] + 0.01, first[1]))
      context.stroke()
      context.restore()
    }
  }

  /** How wide the brush is, and a way to take the last stroke back. */
  #brushParts(): HTMLElement[] {
    const size = make("input", {
      type: "number",
      min: "0.5",
      step: "1",
      class: "wt-number",
      value: String(this.brush),
      "aria-label": "Radius of the brush in pixels",
    })
    size.addEventListener("change", () => {
      const wanted = Number(size.value)
      if (wanted > 0) this.radius = wanted
      size.value = String(this.brush)
    })
    const drawn = this.#drawn
    const count = drawn?.kind === "strokes" ? drawn.count : 0
    const parts: HTMLElement[] = [make("label", { class: "wt-row" }, "Radius", size, "px")]
    if (count) parts.push(button("Take last stroke away", () => this.erase(count - 1)))
    return parts
  }

  /** The words beside the picture that say what the tool does, with its buttons. */
  paintHint(): void {
    const { name, kind, region } = this
    const help = toolsOf(this.bench.state).find(({ id }) => id === name)?.help ?? ""
    const drawn = this.#drawn
    const strokes = drawn?.kind === "strokes" ? drawn.count : 0
    const words = JSON.stringify([help, this.shape, region && sizeWords(region), Boolean(this.rect), strokes])
    if (this.hint.dataset.words === words) return
    this.hint.dataset.words = words
    const active = this.hint.ownerDocument.activeElement
    const focused = this.hint.contains(active) ? active?.textContent : null
    const parts: HTMLElement[] = [make("span", { class: "wt-grow" }, help)]
    if (region) parts.push(make("span", { class: "wt-figures" }, sizeWords(region)))
    if (kind === "regions") {
      for (const shape of ["rectangle", "ellipse"] as const) {
        const choose = () => {
          this.shape = shape
          this.bench.changed()
        }
        parts.push(button(shape, choose, { pressed: this.shape === shape }))
      }
    }
    if (kind === "strokes") parts.push(...this.#brushParts())
    if (region) parts.push(button("Apply", () => this.apply(), { class: "wt-button wt-main" }))
    else if (kind !== "look" && !this.trails) parts.push(button("In the middle", () => this.enter()))
    if (name !== "look") parts.push(button(this.rect ? "Cancel" : "Done", () => this.cancel()))
    this.hint.replaceChildren(...parts)
    if (focused) [...this.hint.querySelectorAll("button")].find((b) => b.textContent === focused)?.focus()
  }
}
