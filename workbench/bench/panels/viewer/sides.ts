// How the two sides of the picture lie over each other. Each frame comes with its place on the stack, so the same sky
// lies under both sides through any crop, turn, mirror or change of size between them. A place is a matrix as the
// canvas has it, for coordinates in which pixel i covers i .. i + 1.

import type { Fit, Frames, Painted, Part } from "./frames"
import type { FitMessage, Point, Rect, SideName } from "./state"
import type { View } from "./view"

const LARGEST_BLOCK = 4 // frame pixels that come as one where the screen would show them as one

/** The columns of the stage that show a side. */
export interface Span {
  side: SideName
  from: number
  to: number
}

/** An image, the way of its pixels to the stage, and whether single pixels of the frame are seen in it. */
interface Laid {
  shown: Painted
  way: DOMMatrix
  exact: boolean
}

/** Whether both sides can be shown over each other. */
export const lineUp = ({ now, before }: Frames): boolean => Boolean(now.fit?.message.place && before.fit?.message.place)

const matrixOf = (fit: Fit | null, key: "place" | "image_place"): DOMMatrix =>
  new DOMMatrix(fit?.message[key] ?? undefined)

/** The reduced frame of a side, which must have come. */
function fitOf(frames: Frames, side: SideName): Fit {
  const { fit } = frames[side]
  if (!fit) throw new Error(`there is no frame of side ${side}`)
  return fit
}

/** Leads from one side's frame to the frame shown; the sides must line up. */
export function wayToShown(frames: Frames, side: SideName): DOMMatrix {
  if (side === "now") return new DOMMatrix()
  return matrixOf(frames.now.fit, "place").invertSelf().multiplySelf(matrixOf(frames[side].fit, "place"))
}

/** Where a point comes to lie; small errors of the arithmetic must not decide how a place is rounded. */
export function through(way: DOMMatrix, x: number, y: number): Point {
  const point = way.transformPoint({ x, y })
  return [tidy(point.x), tidy(point.y)]
}

const tidy = (value: number) => Math.round(value * 4096) / 4096

/** A rectangle that leads through `way` into another frame. */
function boxThrough(way: DOMMatrix, { x0, y0, x1, y1 }: Rect): Rect {
  const corners = [through(way, x0, y0), through(way, x1, y0), through(way, x1, y1), through(way, x0, y1)]
  const [x, y] = [corners.map(([cx]) => cx), corners.map(([, cy]) => cy)]
  return { x0: Math.min(...x), y0: Math.min(...y), x1: Math.max(...x), y1: Math.max(...y) }
}

/** One side's own pixels on the stage, as whole blocks of them that fill whole pixels of the screen: what a close-up
 *  must cover. Null where there are none, or so many that the reduced frame shows them well enough. */
export function seenOf(view: View, frames: Frames, side: SideName): Part | null {
  const [height, width] = fitOf(frames, side).message.frame
  const way = wayToShown(frames, side)
  const [x0, y0] = view.toFrame(0, 0).map(Math.floor)
  const [x1, y1] = view.toFrame(view.stage.width, view.stage.height).map(Math.ceil)
  const box = boxThrough(way.inverse(), { x0, y0, x1, y1 })
  const block = Math.max(1, Math.floor(1 / (Math.hypot(way.a, way.b) * view.zoom) + 0.01))
  if (block > LARGEST_BLOCK) return null
  const [left, across] = wholeBlocks(box.x0, box.x1, width, block)
  const [top, down] = wholeBlocks(box.y0, box.y1, height, block)
  return across > 0 && down > 0 ? { x0: left, y0: top, width: across, height: down, block } : null
}

/** Start and length of the blocks between two places that lie in the frame; none is cut. */
function wholeBlocks(from: number, to: number, length: number, block: number): [number, number] {
  let start = Math.floor(from)
  if (start < 0) start += Math.ceil(-start / block) * block
  const count = Math.min(Math.ceil((to - start) / block), Math.floor((length - start) / block))
  return [start, count * block]
}

/** What a side is painted from, the finest last. */
export function layersOf(view: View, frames: Frames, side: SideName): Laid[] {
  const { fit } = frames[side]
  if (!fit) return []
  const whole = side === "now" ? fitWay(view, fit) : wayBeside(view, fitOf(frames, "now"), fit)
  const layers: Laid[] = [{ shown: fit, way: whole, exact: false }]
  const loupe = view.zoom < 0.999 ? null : frames.closeUp(side, seenOf(view, frames, side))
  if (loupe) {
    const { x0, y0, width } = loupe.message
    // The frame begins on a whole pixel of the screen, whichever side it is and however large its pixels are.
    const [left, top] = view.toStage(0, 0).map(Math.round)
    const way = new DOMMatrix([view.zoom, 0, 0, view.zoom, left, top])
    way
      .multiplySelf(wayToShown(frames, side))
      .translateSelf(x0, y0)
      .scaleSelf(width / loupe.image.width)
    layers.push({ shown: loupe, way, exact: true })
  }
  return layers
}

/** The reduced frame fills the print, whose edges lie on whole pixels of the screen. */
function fitWay(view: View, { image, message }: Painted<FitMessage>): DOMMatrix {
  const [height, width] = message.frame
  const [left, top] = view.toStage(0, 0).map(Math.round)
  const [right, bottom] = view.toStage(width, height).map(Math.round)
  return new DOMMatrix([(right - left) / image.width, 0, 0, (bottom - top) / image.height, left, top])
}

/** Its pixels lie on the very ones of the other side that show the same sky. */
function wayBeside(view: View, now: Fit, fit: Fit): DOMMatrix {
  const [here, there] = [matrixOf(now, "image_place"), matrixOf(fit, "image_place")]
  return fitWay(view, now).multiplySelf(here.invertSelf()).multiplySelf(there)
}

/** Lay an image on the stage: where its pixels fill whole pixels of the screen, on those, so that it is crisp. */
export function lay(
  context: CanvasRenderingContext2D,
  image: ImageBitmap | OffscreenCanvas,
  way: DOMMatrix,
  exact: boolean,
): void {
  const { width, height } = image
  if (Math.min(Math.abs(way.a), Math.abs(way.b)) > 1e-9 * Math.hypot(way.a, way.b)) return layAskew(context, image, way)
  const turned = Math.abs(way.b) > Math.abs(way.a)
  const [across, down] = turned ? [height, width] : [width, height]
  let [[left, top], [right, bottom]] = [through(way, 0, 0), through(way, width, height)]
  const whole = [left, top, right, bottom].map(Math.round)
  if ((whole[2] - whole[0]) % across === 0 && (whole[3] - whole[1]) % down === 0) [left, top, right, bottom] = whole
  const [dx, dy] = [(right - left) / across, (bottom - top) / down]
  const sizes = [Math.abs(dx), Math.abs(dy)]
  context.save()
  // Single pixels are seen where they are enlarged; where the screen has fewer, they run into each other.
  context.imageSmoothingEnabled = exact ? Math.min(...sizes) < 1 : sizes.some((size) => size !== 1)
  context.imageSmoothingQuality = "high"
  if (turned) context.transform(0, dy, dx, 0, left, top)
  else context.transform(dx, 0, 0, dy, left, top)
  context.drawImage(image, 0, 0)
  context.restore()
}

/** Lay an image that is turned by another angle than quarters: its pixels fall between those of the screen. */
function layAskew(context: CanvasRenderingContext2D, image: ImageBitmap | OffscreenCanvas, way: DOMMatrix): void {
  context.save()
  context.imageSmoothingEnabled = true
  context.imageSmoothingQuality = "high"
  context.transform(way.a, way.b, way.c, way.d, way.e, way.f)
  context.drawImage(image, 0, 0)
  context.restore()
}

/** Draw one side: the reduced frame, and over it the pixels at 1:1 where they are known. */
export function drawSide(context: CanvasRenderingContext2D, view: View, frames: Frames, side: SideName): void {
  for (const { shown, way, exact } of layersOf(view, frames, side)) lay(context, shown.image, way, exact)
}

/** Do `draw(side)` for each side in its own part of the stage. */
export function onEachSide(
  { context, view }: { context: CanvasRenderingContext2D; view: View },
  sides: Span[],
  draw: (side: SideName) => void,
): void {
  for (const { side, from, to } of sides) {
    context.save()
    context.beginPath()
    context.rect(from, 0, to - from, view.stage.height)
    context.clip()
    draw(side)
    context.restore()
  }
}
