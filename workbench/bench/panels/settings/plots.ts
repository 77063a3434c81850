// What the step measured against what was expected, with the line through it. A point is picked by a press, or by keys
// that go from one to the next, and its place is marked on the picture.

import { attribute, freshId, make, makeSvg } from "../../page/shared/dom"
import { onKeys, type Reactions } from "../../page/shared/keys"
import type { Axis, Picked, Plot } from "./state"

// Lengths in the drawing, which is as wide as there is room.
const WIDTH = 320
const HEIGHT = 226
const EDGE = { left: 40, right: 10, top: 8, bottom: 36 }
const NEAR = 14
const MARK = 3
/** More points than these are drawn smaller. */
const MANY = 500

/** Picks a point of an overlay on the picture; null: none. */
export type Pick = (overlay: string | null, number: number) => unknown

export class Plots {
  readonly element = make("div", { class: "wt-plots" })
  readonly words = make("p", { class: "wt-picked wt-figures", "aria-live": "polite" })
  #shown = ""
  #drawn: Drawn[] = []

  constructor(
    readonly pick: Pick,
    readonly signal: AbortSignal,
  ) {
    this.element.append(this.words)
  }

  update(plots: Plot[], picked: Picked | null): void {
    this.element.hidden = !plots.length
    const words = JSON.stringify(plots)
    if (words !== this.#shown) {
      this.#shown = words
      this.#drawn = plots.map((plot) => new Drawn(plot, this.pick, this.signal))
      this.element.replaceChildren(...this.#drawn.map(({ element }) => element), this.words)
    }
    for (const drawn of this.#drawn) drawn.mark(picked)
    const inviting = plots.some(({ overlay }) => overlay) ? "Press a point: its star is ringed in the picture." : ""
    this.words.textContent = picked ? picked.words : inviting
    this.words.classList.toggle("wt-soft", !picked)
  }
}

/** One plot. */
class Drawn {
  readonly element: HTMLElement
  readonly #plot: Plot
  readonly #places: [x: number, y: number][]
  /** Numbers of the points from left to right, in which keys go through them. */
  readonly #order: number[]
  readonly #ring = makeSvg("circle", { class: "wt-plot-ring", r: 6, hidden: true })
  readonly #svg: SVGSVGElement
  #number: number | null = null

  constructor(plot: Plot, pick: Pick, signal: AbortSignal) {
    this.#plot = plot
    const [x, y] = [scale(plot.across, EDGE.left, WIDTH - EDGE.right), scale(plot.up, HEIGHT - EDGE.bottom, EDGE.top)]
    this.#places = plot.points.map(([px, py]) => [
      inside(x(px), EDGE.left, WIDTH - EDGE.right),
      inside(y(py), EDGE.top, HEIGHT - EDGE.bottom),
    ])
    this.#order = plot.points.map((_, i) => i).sort((a, b) => plot.points[a][0] - plot.points[b][0])
    const picks = Boolean(plot.overlay)
    this.#svg = makeSvg(
      "svg",
      {
        viewBox: `0 0 ${WIDTH} ${HEIGHT}`,
        class: "wt-scatter",
        role: picks ? "slider" : "img",
        tabindex: picks ? "0" : null,
        "aria-label": `${plot.title}: ${plot.says}`,
        ...(picks ? { "aria-valuemin": 0, "aria-valuemax": plot.points.length, "aria-valuenow": 0 } : {}),
      },
      ...axes(plot, x, y),
      makeSvg("path", { class: "wt-plot-left", d: this.#marks(false) }),
      makeSvg("path", {
        class: "wt-plot-used",
        d: this.#marks(true),
        "stroke-width": plot.points.length > MANY ? 2.5 : 4,
      }),
      ...line(plot, x, y),
      this.#ring,
    )
    this.element = make(
      "figure",
      { dataset: { plot: plot.name } },
      make("figcaption", {}, make("b", {}, plot.title), make("span", { class: "wt-soft" }, plot.says)),
      this.#svg,
    )
    if (picks) this.#listen(pick, signal)
  }

  mark(picked: Picked | null): void {
    const number = picked?.overlay === this.#plot.overlay ? picked.number : null
    this.#number = number
    const place = number === null ? undefined : this.#places[number]
    this.#ring.toggleAttribute("hidden", !place)
    if (!this.#plot.overlay) return
    attribute(this.#svg, "aria-valuenow", number === null ? 0 : this.#order.indexOf(number) + 1)
    attribute(this.#svg, "aria-valuetext", picked && place ? picked.words : "no point picked")
    if (!place) return
    attribute(this.#ring, "cx", place[0])
    attribute(this.#ring, "cy", place[1])
  }

  /** Dots as lines of no length with round ends, crosses for what was left out: one path, however many there are. */
  #marks(used: boolean): string {
    const parts: string[] = []
    this.#plot.points.forEach(([, , good], i) => {
      if (Boolean(good) !== used) return
      const [x, y] = this.#places[i].map((v) => v.toFixed(1))
      parts.push(
        used
          ? `M${x} ${y}h0`
          : `M${x} ${y}m-${MARK}-${MARK}l${2 * MARK} ${2 * MARK}m0-${2 * MARK}l-${2 * MARK} ${2 * MARK}`,
      )
    })
    return parts.join("")
  }

  #listen(pick: Pick, signal: AbortSignal) {
    const { overlay } = this.#plot
    this.#svg.addEventListener("click", (event) => {
      const box = this.#svg.getBoundingClientRect()
      const unit = WIDTH / box.width
      const number = nearest(this.#places, (event.clientX - box.left) * unit, (event.clientY - box.top) * unit)
      pick(number === null || number === this.#number ? null : overlay, number ?? 0)
    })
    const go = (step: number) => () => {
      const count = this.#order.length
      const at = this.#number === null ? (step > 0 ? -1 : count) : this.#order.indexOf(this.#number)
      pick(overlay, this.#order[inside(at + step, 0, count - 1)])
    }
    const end = (last: boolean) => () => pick(overlay, this.#order[last ? this.#order.length - 1 : 0])
    const keys: Reactions = {
      ArrowRight: go(1),
      ArrowUp: go(1),
      ArrowLeft: go(-1),
      ArrowDown: go(-1),
      Home: end(false),
      End: end(true),
      Escape: () => (this.#number === null ? false : pick(null, 0)),
    }
    onKeys(this.element, keys, signal)
  }
}

type Scale = (value: number) => number

const scale =
  ({ low, high }: Axis, from: number, to: number): Scale =>
  (value) =>
    from + ((value - low) / (high - low)) * (to - from)

const inside = (value: number, low: number, high: number): number => Math.min(Math.max(value, low), high)

/** The number of the point nearest to a place, null where none is near. */
export function nearest(places: [number, number][], x: number, y: number): number | null {
  let best: number | null = null
  let least = NEAR
  places.forEach(([px, py], i) => {
    const away = Math.hypot(px - x, py - y)
    if (away < least) [best, least] = [i, away]
  })
  return best
}

function axes({ across, up }: Plot, x: Scale, y: Scale): SVGElement[] {
  const [left, right, top, bottom] = [EDGE.left, WIDTH - EDGE.right, EDGE.top, HEIGHT - EDGE.bottom]
  const middle = (top + bottom) / 2
  return [
    ...across.ticks.flatMap(([value, text]) => [
      makeSvg("path", { class: "wt-plot-grid", d: `M${x(value)} ${top}V${bottom}` }),
      makeSvg("text", { x: x(value), y: bottom + 14, "text-anchor": "middle" }, text),
    ]),
    ...up.ticks.flatMap(([value, text]) => [
      makeSvg("path", { class: "wt-plot-grid", d: `M${left} ${y(value)}H${right}` }),
      makeSvg("text", { x: left - 5, y: y(value) + 4, "text-anchor": "end" }, text),
    ]),
    makeSvg("path", { class: "wt-plot-axis", d: `M${left} ${top}V${bottom}H${right}` }),
    makeSvg(
      "text",
      { x: (left + right) / 2, y: HEIGHT - 5, "text-anchor": "middle", class: "wt-plot-name" },
      across.words,
    ),
    makeSvg(
      "text",
      { transform: `translate(10 ${middle}) rotate(-90)`, "text-anchor": "middle", class: "wt-plot-name" },
      up.words,
    ),
  ]
}

/** The line, twice its scatter around it, and the place of importance. */
function line({ line: [from, to], scatter, mark, marked }: Plot, x: Scale, y: Scale): SVGElement[] {
  const at = ([px, py]: [number, number], off: number) => `${x(px)} ${y(py + off)}`
  const band = `M${at(from, 2 * scatter)}L${at(to, 2 * scatter)}L${at(to, -2 * scatter)}L${at(from, -2 * scatter)}Z`
  const [top, bottom] = [EDGE.top, HEIGHT - EDGE.bottom]
  const id = freshId("plot")
  const clipped = (shape: SVGElement) => makeSvg("g", { "clip-path": `url(#${id})` }, shape)
  const field = makeSvg("rect", { x: EDGE.left, y: top, width: WIDTH - EDGE.right - EDGE.left, height: bottom - top })
  return [
    makeSvg("clipPath", { id }, field),
    clipped(makeSvg("path", { class: "wt-plot-band", d: band })),
    clipped(makeSvg("path", { class: "wt-plot-line", d: `M${at(from, 0)}L${at(to, 0)}` })),
    ...(mark === null
      ? []
      : [makeSvg("path", { class: "wt-plot-mark", d: `M${x(mark)} ${top}V${bottom}` }, makeSvg("title", {}, marked))]),
  ]
}
