// Names, grid and north over a picture that was located: a drawing in CSS pixels over it, whose letters are as large at
// every zoom. No two names lie on each other; those that matter most come first.

import { attribute, freshId, makeSvg } from "../../page/shared/dom"
import type { GridLevel, Point, SkyGrid, SkyMark } from "./state"
import type { View } from "./view"

/** Height of the letters. */
const LETTER = 12
/** How far names keep from the edge of the stage. */
const EDGE = 6
/** Length of the arrows, and how far from the left and the lower edge they start. */
const ARROW = 34
const CORNER: Point = [58, 118]
/** Longest bar, as a share of the stage, and its lengths in degrees. */
const LONGEST = 0.22
const LENGTHS = [1 / 60, 2 / 60, 5 / 60, 10 / 60, 20 / 60, 0.5, 1, 2, 5, 10, 20]
/** Ways from a place to its name. */
const WAYS: Point[] = [
  [1, 0],
  [-1, 0],
  [0, -1],
  [0, 1],
  [1, -1],
  [1, 1],
  [-1, -1],
  [-1, 1],
]

/** Left, top, right, bottom. */
export type Box = [number, number, number, number]

export class SkyLayer {
  readonly element = makeSvg("svg", { class: "wt-sky", "aria-hidden": "true" })
  #drawn: unknown[] = []
  readonly #widths = new Map<string, number>()
  readonly #pen = document.createElement("canvas").getContext("2d")

  readonly #field = makeSvg("rect")
  readonly #lines: SVGGElement

  constructor() {
    const id = freshId("sky")
    this.#lines = makeSvg("g", { "clip-path": `url(#${id})` })
    this.element.append(makeSvg("clipPath", { id }, this.#field), this.#lines, this.#names)
  }
  readonly #names = makeSvg("g")

  /** Draw, but not where other things on the stage are; how many names have room, of how many in sight. */
  paint(view: View, unit: number, names: SkyMark[] | null, grid: SkyGrid | null, taken: () => Box[]): [number, number] {
    if (!names && !grid && !this.#names.childNodes.length) return this.#room
    const { x, y, zoom, stage } = view
    const others = taken()
    const drawn = [x, y, zoom, stage.width, stage.height, unit, names, grid, String(others)]
    if (drawn.every((each, i) => each === this.#drawn[i])) return this.#room
    this.#drawn = drawn
    const sheet = new Sheet(view, unit, others, (text) => this.#width(text))
    if (grid) {
      sheet.north(grid)
      sheet.scale(grid)
    }
    // Names come before the values of lines, which can be read anywhere along them.
    const marks = names ? sheet.names(names) : []
    const lines = grid ? sheet.lines(levelFor(grid, view.zoom / view.fitZoom)) : []
    const [left, top, right, bottom] = sheet.field
    for (const [name, value] of Object.entries({ x: left, y: top, width: right - left, height: bottom - top }))
      attribute(this.#field, name, round(value))
    this.#lines.replaceChildren(...lines)
    this.#names.replaceChildren(...sheet.fixed, ...marks)
    this.#room = sheet.room
    return this.#room
  }
  #room: [number, number] = [0, 0]

  #width(text: string): number {
    const known = this.#widths.get(text)
    if (known !== undefined) return known
    if (this.#pen) this.#pen.font = `600 ${LETTER}px system-ui, sans-serif`
    const width = this.#pen?.measureText(text).width ?? (text.length * LETTER) / 2
    this.#widths.set(text, width)
    return width
  }
}

/** The grid whose lines are about as far apart on the stage as those of the first one in the fit view. */
export function levelFor({ levels }: SkyGrid, nearer: number): GridLevel | undefined {
  return levels.findLast(({ finer }) => finer <= Math.max(nearer, 1) * 1.2) ?? levels[0]
}

class Sheet {
  readonly fixed: SVGElement[] = []
  room: [number, number] = [0, 0]
  /** Of the picture on the stage. */
  readonly field: Box
  readonly #taken: Box[]
  readonly #width: number
  readonly #height: number

  constructor(
    readonly view: View,
    readonly unit: number,
    taken: Box[],
    readonly measure: (text: string) => number,
  ) {
    this.#taken = [...taken]
    this.field = [...this.#at(-0.5, -0.5), ...this.#at(view.frame.width - 0.5, view.frame.height - 0.5)]
    this.#width = view.stage.width / unit
    this.#height = view.stage.height / unit
  }

  #at(x: number, y: number): Point {
    const [sx, sy] = this.view.toStage(x + 0.5, y + 0.5)
    return [sx / this.unit, sy / this.unit]
  }

  /** Whether a box lies on the stage, or in a part of it, and on nothing else. */
  #free([left, top, right, bottom]: Box, within: Box = [0, 0, this.#width, this.#height]): boolean {
    const [l, t, r, b] = within
    if (left < l + EDGE || top < t + EDGE || right > r - EDGE || bottom > b - EDGE) return false
    return !this.#taken.some(([a, c, d, e]) => left < d && right > a && top < e && bottom > c)
  }

  #inSight([x, y]: Point): boolean {
    return x > 0 && y > 0 && x < this.#width && y < this.#height
  }

  /** Words in a box, which is taken from then on. */
  #write(box: Box, text: string, kind = ""): SVGElement {
    this.#taken.push(box)
    const [left, top, right, bottom] = box
    const place = { x: round((left + right) / 2), y: round((top + bottom) / 2 + 0.36 * LETTER) }
    return makeSvg("text", { ...place, "text-anchor": "middle", class: kind || null }, text)
  }

  names(marks: SkyMark[]): SVGElement[] {
    const made: SVGElement[] = []
    let inSight = 0
    let named = 0
    for (const [text, x, y, long, short, angle] of marks) {
      const at = this.#at(x, y)
      if (!this.#inSight(at)) continue
      inSight += 1
      const zoom = this.view.zoom / this.unit
      const axes: Point = [(long * zoom) / 2, (short * zoom) / 2]
      const box = this.#roomFor(text, at, axes, angle)
      if (!box) continue
      named += 1
      made.push(long > 0 ? ellipse(at, axes, angle) : tick(at, box), this.#write(box, text))
    }
    this.room = [named, inSight]
    return made
  }

  #roomFor(text: string, [x, y]: Point, axes: Point, angle: number): Box | null {
    const [w, h] = [this.measure(text), 1.25 * LETTER]
    for (const far of [1, 1.4]) {
      for (const [dx, dy] of WAYS) {
        const gap = Math.max(reach(axes, angle, dx, dy), axes[0] > 0 ? 0.6 * LETTER : LETTER) + 0.6 * LETTER
        const d = gap * far * (dx && dy ? 0.75 : 1)
        const box = around(x + dx * (d + w / 2), y + dy * (d + h / 2), w, h)
        if (this.#free(box)) return box
      }
    }
    const inside = around(x, y, w, h)
    return 2 * axes[0] > 2 * w && this.#free(inside) ? inside : null
  }

  lines(level: GridLevel | undefined): SVGElement[] {
    const made: SVGElement[] = []
    const labelled = new Set<string>()
    for (const [text, points] of level?.lines ?? []) {
      const places = points.map(([x, y]) => this.#at(x, y))
      made.push(
        makeSvg("path", { class: "wt-sky-line", d: `M${places.map((at) => at.map(round).join(" ")).join("L")}` }),
      )
      if (labelled.has(text)) continue
      const box = this.#roomOn(places, text)
      if (!box) continue
      labelled.add(text)
      made.push(this.#write(box, text, "wt-sky-value"))
    }
    return made
  }

  /** Just inside the stage, where a line enters it. */
  #roomOn(places: Point[], text: string): Box | null {
    const [w, h] = [0.9 * this.measure(text), 1.1 * LETTER]
    const [l, t, r, b] = this.field
    const within: Box = [Math.max(l, 0), Math.max(t, 0), Math.min(r, this.#width), Math.min(b, this.#height)]
    for (let i = 1; i < places.length; i += 1) {
      const [[xa, ya], [xb, yb]] = [places[i - 1], places[i]]
      const steps = Math.min(Math.ceil(Math.hypot(xb - xa, yb - ya) / 8), 200)
      for (let k = 0; k < steps; k += 1) {
        const box = around(xa + ((xb - xa) * k) / steps, ya + ((yb - ya) * k) / steps, w, h)
        if (this.#free(box, within)) return box
      }
    }
    return null
  }

  /** Arrows to north and east at the lower left, as they point in the middle of the frame. */
  north({ north, east }: SkyGrid): void {
    const [x, y] = [CORNER[0], this.#height - CORNER[1]]
    for (const [letter, [dx, dy]] of [
      ["N", north],
      ["E", east],
    ] as const) {
      const tip: Point = [x + ARROW * dx, y + ARROW * dy]
      const barb = (side: number) => `${round(tip[0] - 8 * dx - side * dy)} ${round(tip[1] - 8 * dy + side * dx)}`
      const end = tip.map(round).join(" ")
      const d = `M${round(x)} ${round(y)}L${end}M${barb(4)}L${end}L${barb(-4)}`
      const at: Point = [x + (ARROW + 11) * dx, y + (ARROW + 11) * dy]
      this.fixed.push(makeSvg("path", { d }), this.#write(around(...at, this.measure(letter), LETTER), letter))
    }
    this.#taken.push([x - ARROW, y - ARROW, x + ARROW, y + ARROW])
  }

  /** A bar of a round length beside the arrows. */
  scale({ scale }: SkyGrid): void {
    const degree = this.view.zoom / scale / this.unit
    const length = LENGTHS.findLast((each) => each * degree <= LONGEST * this.#width)
    if (length === undefined) return
    const text = length >= 1 ? `${length}°` : `${Math.round(60 * length)}'`
    const [x, y, px] = [CORNER[0] + ARROW + 30, this.#height - CORNER[1] + ARROW, length * degree]
    this.fixed.push(
      makeSvg("path", { d: `M${x} ${round(y - 4)}v8M${x} ${round(y)}h${round(px)}m0 -4v8` }),
      this.#write(around(x + px / 2, y - 0.9 * LETTER, this.measure(text), LETTER), text),
    )
    this.#taken.push([x, y - 5, x + px, y + 5])
  }
}

const round = (value: number): number => Math.round(10 * value) / 10

const around = (x: number, y: number, w: number, h: number): Box => [x - w / 2, y - h / 2, x + w / 2, y + h / 2]

/** How far an ellipse goes in a direction. */
function reach([a, b]: Point, angle: number, dx: number, dy: number): number {
  if (Math.min(a, b) <= 0) return 0
  const turn = Math.atan2(dy, dx) - (angle * Math.PI) / 180
  return (a * b) / Math.hypot(b * Math.cos(turn), a * Math.sin(turn))
}

function ellipse([x, y]: Point, [a, b]: Point, angle: number): SVGElement {
  const least = 0.6 * LETTER
  const size = { rx: round(Math.max(a, least)), ry: round(Math.max(b, least)) }
  return makeSvg("ellipse", { ...size, transform: `translate(${round(x)} ${round(y)}) rotate(${angle})` })
}

/** From a star, on the side of its name, towards that. */
function tick([x, y]: Point, [left, top, right, bottom]: Box): SVGElement {
  const [tx, ty] = [Math.min(Math.max(x, left), right) - x, Math.min(Math.max(y, top), bottom) - y]
  const away = Math.hypot(tx, ty) || 1
  const [near, far] = [4 / away, 0.85]
  return makeSvg("path", {
    d: `M${round(x + near * tx)} ${round(y + near * ty)}L${round(x + far * tx)} ${round(y + far * ty)}`,
  })
}
