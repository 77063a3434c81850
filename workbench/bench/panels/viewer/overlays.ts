// What lies over the picture: facts of operations, each drawn by its kind, and what belongs to the frame itself.

import { drawClipped } from "./clipped"
import type { Frames } from "./frames"
import { hatch, isOn, MARK_OUT, type Pen, regionMiddle, regionPath, stroke, write } from "./pen"
import type { Span } from "./sides"
import type { MaskLayer } from "./mask"
import type { Circle, Contours, Drawn, Picked, Rect, Region, Shown, Stroke, ViewerState } from "./state"

/** Ellipses of twice the stars' width at half maximum, to be seen around them; a saturated one has a square. */
function drawStars(pen: Pen, stars: number[][]): string {
  const { view, unit } = pen
  const path = new Path2D()
  for (const [y, x, fwhm, elongation, angle, saturated] of stars) {
    const [sx, sy] = view.toStage(x + 0.5, y + 0.5)
    const mean = Math.max(fwhm * view.zoom, 4 * unit)
    if (!isOn(pen, sx, sy, mean * 2)) continue
    const stretch = Math.sqrt(Math.max(elongation, 1))
    const turned = (angle * Math.PI) / 180
    if (saturated) path.rect(sx - mean, sy - mean, 2 * mean, 2 * mean)
    path.moveTo(sx + mean * stretch * Math.cos(turned), sy + mean * stretch * Math.sin(turned))
    path.ellipse(sx, sy, mean * stretch, mean / stretch, turned, 0, 2 * Math.PI)
  }
  stroke(pen, path, { width: 1 })
  const saturated = stars.filter((star) => star[5]).length
  return `stars: ${stars.length} ellipses show width and direction; ${saturated} saturated have a square around them`
}

/** A ring where something was used, a cross where it was left out. */
function drawPoints(pen: Pen, points: [y: number, x: number, used: number][]): void {
  const { view, unit } = pen
  const used = new Path2D()
  const left = new Path2D()
  const r = 3 * unit
  for (const [y, x, accepted] of points) {
    const [sx, sy] = view.toStage(x + 0.5, y + 0.5)
    if (!isOn(pen, sx, sy, r)) continue
    if (accepted) {
      used.moveTo(sx + r, sy)
      used.arc(sx, sy, r, 0, 2 * Math.PI)
    } else {
      left.moveTo(sx - r, sy - r)
      left.lineTo(sx + r, sy + r)
      left.moveTo(sx + r, sy - r)
      left.lineTo(sx - r, sy + r)
    }
  }
  stroke(pen, used)
  stroke(pen, left, { color: MARK_OUT, width: 1 })
}

/** A point that was picked: a ring that its own mark has room in, with a stroke to each side. */
function drawPicked(pen: Pen, { x, y }: Picked): void {
  const { view, unit } = pen
  const [sx, sy] = view.toStage(x + 0.5, y + 0.5)
  const [near, far] = [11 * unit, 19 * unit]
  const path = new Path2D()
  path.arc(sx, sy, near, 0, 2 * Math.PI)
  for (const [dx, dy] of [
    [1, 0],
    [-1, 0],
    [0, 1],
    [0, -1],
  ]) {
    path.moveTo(sx + dx * near, sy + dy * near)
    path.lineTo(sx + dx * far, sy + dy * far)
  }
  stroke(pen, path, { width: 2 })
}

/** The point near a place on the stage that can be picked: its overlay and number. */
export function pickable(
  pen: Pick<Pen, "view" | "unit">,
  { overlay_data }: ViewerState,
  x: number,
  y: number,
): [string, number] | null {
  let found: [string, number] | null = null
  let least = 10 * pen.unit
  for (const each of overlay_data?.shown ?? []) {
    if (each.kind !== "points" || !each.plotted) continue
    each.points.forEach(([py, px], number) => {
      const [sx, sy] = pen.view.toStage(px + 0.5, py + 0.5)
      const away = Math.hypot(sx - x, sy - y)
      if (away >= least) return
      least = away
      found = [each.id, number]
    })
  }
  return found
}

/** Lines where a field has the same value, a tenth of its range apart. */
function drawContours(pen: Pen, { lines }: Contours): void {
  const { view } = pen
  const labelled = new Set<number>()
  for (const { tenth, points } of lines) {
    const path = new Path2D()
    for (const [y, x] of points) path.lineTo(...view.toStage(x + 0.5, y + 0.5))
    stroke(pen, path, { width: tenth === 5 ? 2 : 1 })
    if (labelled.has(tenth)) continue
    labelled.add(tenth)
    // Labels climb from line to line, so that they seldom meet.
    const [y, x] = points[Math.floor((points.length * tenth) / 10)]
    write(pen, `${tenth * 10} %`, ...view.toStage(x + 0.5, y + 0.5))
  }
}

/** Drawn regions: hatched, numbered. */
function drawRegions(pen: Pen, regions: Region[], item: string): void {
  regions.forEach((region, i) => {
    const path = regionPath(pen.view, region)
    hatch(pen, path)
    stroke(pen, path)
    write(pen, `${item} ${i + 1}`, ...pen.view.toStage(...regionMiddle(region)))
  })
}

/** A line from its first point to its second one; of a gradient the first is ringed, and it says what is where. */
export function drawLine(pen: Pen, { x0, y0, x1, y1 }: Rect, gradient = true): void {
  const { view, unit } = pen
  const [from, to] = [view.toStage(x0 + 0.5, y0 + 0.5), view.toStage(x1 + 0.5, y1 + 0.5)]
  const path = new Path2D()
  path.moveTo(...from)
  path.lineTo(...to)
  if (!gradient) return stroke(pen, path, { width: 1.5 })
  path.moveTo(from[0] + 6 * unit, from[1])
  path.arc(...from, 6 * unit, 0, 2 * Math.PI)
  stroke(pen, path, { width: 1.5 })
  write(pen, "0", from[0], from[1] - 14 * unit)
  write(pen, "all", to[0], to[1] - 14 * unit)
}

/** A circle with its middle. */
export function drawCircle(pen: Pen, { x, y, outer }: Circle): void {
  const { view, unit } = pen
  const at = view.toStage(x + 0.5, y + 0.5)
  const path = new Path2D()
  path.arc(...at, outer * view.zoom, 0, 2 * Math.PI)
  path.moveTo(at[0] + 3 * unit, at[1])
  path.arc(...at, 3 * unit, 0, 2 * Math.PI)
  stroke(pen, path, { width: 1.5 })
}

/** What a brush went over: bands as wide as it was. */
function drawStrokes({ context, view }: Pen, strokes: Stroke[]): void {
  context.save()
  context.lineCap = context.lineJoin = "round"
  context.strokeStyle = "rgb(255 227 163 / 0.28)"
  for (const { radius, points } of strokes) {
    context.lineWidth = 2 * radius * view.zoom
    context.beginPath()
    for (const [x, y] of points) context.lineTo(...view.toStage(x + 0.5, y + 0.5))
    const [[x, y]] = points
    if (points.length === 1) context.lineTo(...view.toStage(x + 0.51, y + 0.5))
    context.stroke()
  }
  context.restore()
}

/** Facts of an operation, by their kind. */
function drawShown(pen: Pen, shown: Shown): string {
  if (shown.kind === "points") drawPoints(pen, shown.points)
  if (shown.kind === "contours") drawContours(pen, shown)
  if (shown.kind === "outline") stroke(pen, regionPath(pen.view, shown.region), { dash: [7, 5] })
  return shown.says
}

/** What a person drew; places have marks of their own, and margins are the rectangle in the hand. */
function drawDrawn(pen: Pen, drawn: Drawn): string {
  if (drawn.kind === "regions") drawRegions(pen, drawn.items, drawn.item)
  if (drawn.kind === "strokes") drawStrokes(pen, drawn.items)
  if (drawn.kind === "segment") for (const line of drawn.items) drawLine(pen, line)
  if (drawn.kind === "circle") for (const circle of drawn.items) drawCircle(pen, circle)
  return drawn.says
}

/** Draw all that is there, and return the sentences of the legend. */
export function drawOverlays(pen: Pen, frames: Frames, state: ViewerState, sides: Span[], masks: MaskLayer): string[] {
  const { shown = [], drawn = [], stars, mask, picked } = state.overlay_data ?? {}
  const on = new Set(state.overlays?.flatMap((each) => (each.on ? each.id : [])))
  const says: string[] = []
  if (on.has("clipped")) says.push(drawClipped(pen, frames, sides))
  if (mask) masks.paint(pen, mask)
  if (mask || on.has("mask") || on.has("mask_alone"))
    says.push(mask?.says ?? "mask: the chosen step changes the whole frame")
  for (const each of shown) says.push(drawShown(pen, each))
  for (const each of drawn) says.push(drawDrawn(pen, each))
  if (picked) drawPicked(pen, picked)
  if (on.has("stars")) says.push(stars ? drawStars(pen, stars) : "stars: nothing is measured yet")
  return says.filter(Boolean)
}
