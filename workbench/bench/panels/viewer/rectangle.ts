// Rectangles on the frame, with pixel edges at whole numbers: how they are dragged, and how they look.

import { clamp } from "../../page/shared/numbers"
import type { Point, Rect, Size } from "./state"

/** A rectangle after dragging one of its handles by (dx, dy); stays in the frame and never turns inside out. */
export function dragged(rect: Rect, handle: string, dx: number, dy: number, frame: Size): Rect {
  if (handle === "move") {
    const [mx, my] = [clamp(dx, -rect.x0, frame.width - rect.x1), clamp(dy, -rect.y0, frame.height - rect.y1)]
    return { x0: rect.x0 + mx, x1: rect.x1 + mx, y0: rect.y0 + my, y1: rect.y1 + my }
  }
  const next = { ...rect }
  if (handle.includes("w")) next.x0 = clamp(rect.x0 + dx, 0, rect.x1 - 1)
  if (handle.includes("e")) next.x1 = clamp(rect.x1 + dx, rect.x0 + 1, frame.width)
  if (handle.includes("n")) next.y0 = clamp(rect.y0 + dy, 0, rect.y1 - 1)
  if (handle.includes("s")) next.y1 = clamp(rect.y1 + dy, rect.y0 + 1, frame.height)
  return next
}

/** The rectangle between two places, cut to the frame. */
export function between([xa, ya]: Point, [xb, yb]: Point, frame: Size): Rect {
  const [x0, x1] = [xa, xb].sort((a, b) => a - b).map((x) => clamp(x, 0, frame.width))
  const [y0, y1] = [ya, yb].sort((a, b) => a - b).map((y) => clamp(y, 0, frame.height))
  return { x0, y0, x1, y1 }
}

export const sizeWords = ({ x0, y0, x1, y1 }: Rect): string =>
  `${Math.round(x1) - Math.round(x0)} × ${Math.round(y1) - Math.round(y0)} px`

export function rectangle(left: number, top: number, right: number, bottom: number): Path2D {
  const path = new Path2D()
  path.rect(left, top, right - left, bottom - top)
  return path
}

export function ellipseIn(left: number, top: number, right: number, bottom: number): Path2D {
  const path = new Path2D()
  path.ellipse((left + right) / 2, (top + bottom) / 2, (right - left) / 2, (bottom - top) / 2, 0, 0, 2 * Math.PI)
  return path
}

export function thirds(left: number, top: number, right: number, bottom: number): Path2D {
  const path = new Path2D()
  for (const share of [1 / 3, 2 / 3]) {
    const [x, y] = [left + share * (right - left), top + share * (bottom - top)]
    path.moveTo(x, top)
    path.lineTo(x, bottom)
    path.moveTo(left, y)
    path.lineTo(right, y)
  }
  return path
}
