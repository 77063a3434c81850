// The pencil that marks on the picture are drawn with. Every mark differs by shape, not by color alone, and has a dark
// edge, so that it is seen on sky and on stars alike.

import type { Place, Point, Region } from "./state"
import type { View } from "./view"

/** `unit` is one CSS pixel in device pixels. */
export interface Pen {
  context: CanvasRenderingContext2D
  view: View
  unit: number
}

const MARK = "#ffe3a3" // the same warm pencil as in the panels
export const MARK_OUT = "#ffb3a0"
const HALO = "rgb(20 16 12 / 0.75)"

export function stroke(
  { context, unit }: Pen,
  path: Path2D,
  { color = MARK, width = 1.25, dash = [] }: { color?: string; width?: number; dash?: number[] } = {},
): void {
  context.setLineDash(dash.map((length) => length * unit))
  context.lineJoin = "round"
  context.strokeStyle = HALO
  context.lineWidth = (width + 2) * unit
  context.stroke(path)
  context.strokeStyle = color
  context.lineWidth = width * unit
  context.stroke(path)
  context.setLineDash([])
}

export function write({ context, unit }: Pen, text: string, x: number, y: number): void {
  context.font = `600 ${11 * unit}px system-ui, sans-serif`
  context.textAlign = "center"
  context.textBaseline = "middle"
  context.lineJoin = "round"
  context.strokeStyle = HALO
  context.lineWidth = 3.5 * unit
  context.strokeText(text, x, y)
  context.fillStyle = MARK
  context.fillText(text, x, y)
}

export function hatch({ context, view, unit }: Pen, path: Path2D): void {
  context.save()
  context.clip(path)
  const lines = new Path2D()
  const { width, height } = view.stage
  for (let at = -height; at < width; at += 9 * unit) {
    lines.moveTo(at, height)
    lines.lineTo(at + height, 0)
  }
  context.strokeStyle = "rgb(255 227 163 / 0.4)"
  context.lineWidth = unit
  context.stroke(lines)
  context.restore()
}

/** Whether a mark of this reach is seen on the stage. */
export const isOn = ({ view }: Pen, x: number, y: number, reach: number): boolean =>
  x > -reach && y > -reach && x < view.stage.width + reach && y < view.stage.height + reach

/** A hairline around the print: dark sky would run into the mat. */
export function drawEdge({ context, view, unit }: Pen): void {
  const [left, top] = view.toStage(0, 0).map(Math.round)
  const [right, bottom] = view.toStage(view.frame.width, view.frame.height).map(Math.round)
  context.strokeStyle = "rgb(247 242 232 / 0.4)"
  context.lineWidth = unit
  context.strokeRect(left - unit / 2, top - unit / 2, right - left + unit, bottom - top + unit)
}

/** The outline of a region in any of its forms, on the stage. Its coordinates are pixel centers. */
export function regionPath(view: View, region: Region, grown = 0): Path2D {
  const path = new Path2D()
  const at = (x: number, y: number) => view.toStage(x + 0.5, y + 0.5)
  if ("points" in region) {
    region.points.forEach(([x, y], i) => (i ? path.lineTo(...at(x, y)) : path.moveTo(...at(x, y))))
    path.closePath()
  } else if ("along" in region) {
    const [sx, sy] = at(region.x, region.y)
    const [a, b] = [region.along, region.across].map((half) => Math.max(half + grown, 0) * view.zoom)
    path.ellipse(sx, sy, a, b, (region.angle_deg * Math.PI) / 180, 0, 2 * Math.PI)
  } else {
    const [left, right] = [region.x0, region.x1].sort((a, b) => a - b)
    const [top, bottom] = [region.y0, region.y1].sort((a, b) => a - b)
    const [l, t] = at(left - grown, top - grown)
    const [r, b] = at(right + grown, bottom + grown)
    if (r <= l || b <= t) return path
    if (region.shape === "ellipse") path.ellipse((l + r) / 2, (t + b) / 2, (r - l) / 2, (b - t) / 2, 0, 0, 2 * Math.PI)
    else path.rect(l, t, r - l, b - t)
  }
  return path
}

/** The middle of a pixel, in frame coordinates. */
export const middleOf = ({ x, y }: Place): Point => [x + 0.5, y + 0.5]

/** The middle of a region, in frame coordinates. */
export function regionMiddle(region: Region): Point {
  if ("along" in region) return middleOf(region)
  if ("x0" in region) return middleOf({ x: (region.x0 + region.x1) / 2, y: (region.y0 + region.y1) / 2 })
  const mean = (axis: 0 | 1) => region.points.reduce((sum, point) => sum + point[axis], 0) / region.points.length
  return middleOf({ x: mean(0), y: mean(1) })
}
