// Where the picture lies on the stage. Stage lengths are device pixels; on the frame, pixel i covers i .. i + 1,
// so that the centre of pixel 0 is at 0.5 and zoom 1 puts one frame pixel on one device pixel.

import { wantsCalm } from "../../page/shared/dom"
import { clamp, plainNumber } from "../../page/shared/numbers"
import type { Part } from "./frames"
import type { Point, Size } from "./state"

const CLOSEST = 8
const LADDER = [1 / 16, 1 / 8, 1 / 4, 1 / 2, 1, 2, 4, CLOSEST]

export class View {
  stage = { width: 1, height: 1, margin: 0 }
  frame = { width: 0, height: 0 }
  zoom = 1
  x = 0 // frame place at the stage's top left corner
  y = 0
  fitted = true

  get known(): boolean {
    return this.frame.width > 0
  }

  /** The whole frame inside the mat; a small frame is enlarged by a whole number, so that its pixels are crisp. */
  get fitZoom(): number {
    const { width, height, margin } = this.stage
    const across = Math.max(width - 2 * margin, 16) / (this.frame.width || 1)
    const down = Math.max(height - 2 * margin, 16) / (this.frame.height || 1)
    const most = Math.min(across, down)
    return most < 1 ? most : Math.min(Math.floor(most), CLOSEST)
  }

  setStage(width: number, height: number, margin: number): void {
    const middle = this.toFrame(this.stage.width / 2, this.stage.height / 2)
    this.stage = { width, height, margin }
    this.centreOn(...middle)
  }

  setFrame(width: number, height: number): void {
    this.frame = { width, height }
    this.settle()
  }

  fit(): void {
    this.fitted = true
    this.settle()
  }

  /** Keep the picture on the stage: centred where it is smaller, without a gap beyond the mat where it is larger. */
  settle(): void {
    if (this.fitted) this.zoom = this.fitZoom
    this.x = this.#inside(this.x, this.frame.width, this.stage.width)
    this.y = this.#inside(this.y, this.frame.height, this.stage.height)
  }

  #inside(start: number, frame: number, stage: number) {
    const shown = stage / this.zoom
    const mat = this.stage.margin / this.zoom
    if (frame + 2 * mat <= shown) return (frame - shown) / 2
    return clamp(start, -mat, frame + mat - shown)
  }

  toStage(x: number, y: number): Point {
    return [(x - this.x) * this.zoom, (y - this.y) * this.zoom]
  }

  toFrame(x: number, y: number): Point {
    return [this.x + x / this.zoom, this.y + y / this.zoom]
  }

  /** Zoom so that what lies at stage place (x, y) stays there. */
  zoomAround(zoom: number, x: number, y: number): void {
    const [fx, fy] = this.toFrame(x, y)
    this.zoom = clamp(zoom, this.fitZoom, CLOSEST)
    this.fitted = this.zoom <= this.fitZoom * 1.001
    this.x = fx - x / this.zoom
    this.y = fy - y / this.zoom
    this.settle()
  }

  panBy(dx: number, dy: number): void {
    this.x -= dx / this.zoom
    this.y -= dy / this.zoom
    this.settle()
  }

  centreOn(x: number, y: number): void {
    this.x = x - this.stage.width / 2 / this.zoom
    this.y = y - this.stage.height / 2 / this.zoom
    this.settle()
  }

  /** The next rung up (+1) or down (-1): the fit view, then round ratios. */
  rung(direction: number, from = this.zoom): number {
    const rungs = [this.fitZoom, ...LADDER.filter((z) => z > this.fitZoom * 1.01)]
    const next = direction > 0 ? rungs.find((z) => z > from * 1.01) : rungs.findLast((z) => z < from * 0.99)
    return next ?? (direction > 0 ? CLOSEST : this.fitZoom)
  }

  /** The frame pixels on the stage as whole rows and columns, or null. */
  visible(frame: Size = this.frame): Part | null {
    const [left, top] = this.toFrame(0, 0)
    const [right, bottom] = this.toFrame(this.stage.width, this.stage.height)
    const x0 = clamp(Math.floor(left), 0, frame.width)
    const y0 = clamp(Math.floor(top), 0, frame.height)
    const x1 = clamp(Math.ceil(right), 0, frame.width)
    const y1 = clamp(Math.ceil(bottom), 0, frame.height)
    return x1 > x0 && y1 > y0 ? { x0, y0, width: x1 - x0, height: y1 - y0 } : null
  }

  get words(): string {
    if (this.fitted) return `fit · ${plainNumber(this.zoom * 100, 3)} %`
    const ratio = LADDER.find((z) => Math.abs(z / this.zoom - 1) < 0.005)
    if (ratio) return ratio >= 1 ? `${ratio}:1` : `1:${1 / ratio}`
    return `${plainNumber(this.zoom * 100, 3)} %`
  }
}

export interface Glider {
  /** Zoom to this, so that what lies at stage place (x, y) stays there; the middle where none is given. */
  to: (zoom: number, x?: number, y?: number) => void
  stop: () => void
  /** The zoom that is on its way. */
  readonly goal: number
  readonly moving: boolean
}

/** Zooms smoothly; `changed()` is called for each picture on the way, when the window has one painted. */
export function glider(
  view: View,
  there: Pick<Window, "requestAnimationFrame" | "cancelAnimationFrame">,
  changed: () => void,
): Glider {
  let goal: { zoom: number; x: number; y: number } | null = null
  let frame = 0
  const step = () => {
    frame = 0
    if (!goal) return
    const ratio = goal.zoom / view.zoom
    const arrived = wantsCalm() || Math.abs(Math.log(ratio)) < 0.004
    view.zoomAround(arrived ? goal.zoom : view.zoom * ratio ** 0.35, goal.x, goal.y)
    if (arrived) goal = null
    else frame = there.requestAnimationFrame(step)
    changed()
  }
  return {
    to(zoom: number, x = view.stage.width / 2, y = view.stage.height / 2) {
      goal = { zoom: clamp(zoom, view.fitZoom, CLOSEST), x, y }
      if (!frame) frame = there.requestAnimationFrame(step)
    },
    stop() {
      there.cancelAnimationFrame(frame)
      frame = 0
      goal = null
    },
    get goal() {
      return goal?.zoom ?? view.zoom
    },
    get moving() {
      return goal !== null
    },
  }
}
