// Pixels without information: all channels white or all black. White ones are filled, black ones a checkerboard.

import { plainNumber } from "../../page/shared/numbers"
import type { Frames, Painted } from "./frames"
import type { Pen } from "./pen"
import { lay, layersOf, onEachSide, type Span } from "./sides"

function clippedOf(shown: Painted): NonNullable<Painted["clipped"]> {
  if (shown.clipped) return shown.clipped
  const { width, height } = shown.image
  const canvas = new OffscreenCanvas(width, height)
  const context = canvas.getContext("2d", { willReadFrequently: true })
  if (!context) return { canvas, white: 0, black: 0 }
  context.drawImage(shown.image, 0, 0)
  const pixels = context.getImageData(0, 0, width, height)
  const words = new Uint32Array(pixels.data.buffer) // opacity, blue, green, red from the top
  let white = 0
  let black = 0
  for (let i = 0; i < words.length; i++) {
    const [r, g, b] = [words[i] & 255, (words[i] >> 8) & 255, (words[i] >> 16) & 255]
    words[i] = 0
    // One step of tolerance: the reduced frame comes as JPEG.
    if (r >= 254 && g >= 254 && b >= 254) {
      white++
      words[i] = 0xff285aff
    } else if (r <= 1 && g <= 1 && b <= 1) {
      black++
      if (((i % width) + Math.floor(i / width)) % 2 === 0) words[i] = 0xffff9646
    }
  }
  context.putImageData(pixels, 0, 0)
  shown.clipped = { canvas, white: white / words.length, black: black / words.length }
  return shown.clipped
}

export function drawClipped(pen: Pen, frames: Frames, sides: Span[]): string {
  const { context, view } = pen
  if (!frames.now.fit) return ""
  onEachSide(pen, sides, (side) => {
    const finest = layersOf(view, frames, side).at(-1)
    if (finest) lay(context, clippedOf(finest.shown).canvas, finest.way, true)
  })
  const percent = (value: number) => `${plainNumber(100 * value, 2)} %`
  const shares = sides.flatMap(({ side }) => {
    const { fit } = frames[side]
    if (!fit) return []
    const { white, black } = clippedOf(fit)
    return `${side === "before" ? "before " : ""}${percent(white)} white, ${percent(black)} black`
  })
  return `clipped: ${shares.reverse().join("; ")} (white orange and solid, black blue and checkered)`
}
