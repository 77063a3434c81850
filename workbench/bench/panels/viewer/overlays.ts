// What lies over the picture: facts of operations, each drawn by its kind, and what belongs to the frame itself.

import { drawClipped } from "./clipped"
import type { Frames } from "./frames"
import { hatch, isOn, MARK_OUT, type Pen, regionMiddle, regionPath, stroke, write } from "./pen"
import type { Span } from "./sides"
import type { Contours, Drawn, Region, Shown, ViewerState, Where } from "./state"

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

/** The part of the frame that a step changes: the rest is dimmed, the soft edge ends at the dashed lines. */
function drawMask(pen: Pen, where: Where): string {
  const { context, view } = pen
  const outline = regionPath(view, where)
  const dimmed = new Path2D()
  if (!where.outside) dimmed.rect(0, 0, view.stage.width, view.stage.height)
  dimmed.addPath(outline)
  context.fillStyle = "rgb(16 14 12 / 0.5)"
  context.fill(dimmed, "evenodd")
  stroke(pen, outline)
  if (where.feather > 0) {
    for (const side of [-0.5, 0.5])
      stroke(pen, regionPath(view, where, side * where.feather), { width: 1, dash: [5, 4] })
  }
  return `mask: the step changes ${where.outside ? "everything outside" : "only the inside of"} the outline`
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
  return drawn.says
}

/** Draw all that is there, and return the sentences of the legend. */
export function drawOverlays(pen: Pen, frames: Frames, state: ViewerState, sides: Span[]): string[] {
  const { shown = [], drawn = [], stars, mask } = state.overlay_data ?? {}
  const on = new Set(state.overlays?.flatMap((each) => (each.on ? each.id : [])))
  const says: string[] = []
  if (on.has("clipped")) says.push(drawClipped(pen, frames, sides))
  if (on.has("mask")) says.push(mask ? drawMask(pen, mask) : "mask: the chosen step changes the whole frame")
  for (const each of shown) says.push(drawShown(pen, each))
  for (const each of drawn) says.push(drawDrawn(pen, each))
  if (on.has("stars")) says.push(stars ? drawStars(pen, stars) : "stars: nothing is measured yet")
  return says.filter(Boolean)
}
