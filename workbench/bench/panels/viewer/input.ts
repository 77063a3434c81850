// Pointer, wheel and keys on the stage. `bench` is the object that `viewer.js` puts together.

import { closest, datasetOf } from "../../page/shared/dom"
import { onKeys, type Reactions } from "../../page/shared/keys"
import { clamp } from "../../page/shared/numbers"
import type { PictureBench } from "./picture"
import type { Point } from "./state"

/** What lies on the stage and is pressed for itself. */
const OWN = ".wt-divider, .wt-linear, .wt-layers, .wt-map"
const CLICK = 4 // CSS pixels that a pointer may stray in a click

/** Place of an event on the stage, in device pixels. */
function stagePlace(bench: PictureBench, event: MouseEvent): Point {
  const box = bench.parts.stage.getBoundingClientRect()
  return [(event.clientX - box.left) * bench.unit, (event.clientY - box.top) * bench.unit]
}

export function listenToWheel(bench: PictureBench, signal: AbortSignal): void {
  const turn = (event: WheelEvent) => {
    const { view, glide } = bench
    const out = event.deltaY > 0
    // At the fit view a turn outwards belongs to the notebook: whoever scrolls past must not get stuck here.
    if (!view.known || (out && view.fitted && !glide.moving)) return
    event.preventDefault()
    const lines =
      event.deltaMode === WheelEvent.DOM_DELTA_LINE ? 24 : event.deltaMode === WheelEvent.DOM_DELTA_PAGE ? 300 : 1
    // Pinching on a touch pad comes as a wheel with Ctrl and small steps.
    const factor = Math.exp(-clamp(event.deltaY * lines, -240, 240) * (event.ctrlKey ? 0.01 : 0.002))
    glide.to(glide.goal * factor, ...stagePlace(bench, event))
  }
  bench.parts.stage.addEventListener("wheel", turn, { passive: false, signal })
}

export function listenToPointers(bench: PictureBench, signal: AbortSignal): void {
  const pointers = new Map<number, Point>()
  let gesture: Gesture | null = null

  const down = (event: PointerEvent) => {
    if (!bench.view.known || event.button === 2 || closest(event, `[data-region], ${OWN}`)) return
    if (gesture && gesture.kind !== "pinch") gesture.drop?.()
    bench.parts.stage.setPointerCapture(event.pointerId)
    bench.glide.stop()
    pointers.set(event.pointerId, stagePlace(bench, event))
    gesture = pointers.size === 2 ? pinch(bench, pointers) : pointers.size === 1 ? beginGesture(bench, event) : null
    const taken = closest(event, "button")
    ;(taken ?? bench.parts.stage).focus({ preventScroll: true })
    event.preventDefault()
  }
  const move = (event: PointerEvent) => {
    bench.readout.point(stagePlace(bench, event))
    bench.magnifier.point(closest(event, OWN) ? null : stagePlace(bench, event))
    if (!pointers.has(event.pointerId)) return
    pointers.set(event.pointerId, stagePlace(bench, event))
    gesture?.move(stagePlace(bench, event), event.shiftKey)
  }
  const up = (event: PointerEvent) => {
    if (!pointers.delete(event.pointerId)) return
    if (event.type === "pointercancel") gesture?.drop?.()
    else gesture?.end?.(stagePlace(bench, event))
    gesture = null
  }
  const on = (
    name: "pointerdown" | "pointermove" | "pointerup" | "pointercancel",
    react: (event: PointerEvent) => void,
  ) => bench.parts.stage.addEventListener(name, react, { signal })
  on("pointerdown", down)
  on("pointermove", move)
  on("pointerup", up)
  on("pointercancel", up)
  const left = () => {
    bench.readout.point(null)
    bench.magnifier.point(null)
  }
  bench.parts.stage.addEventListener("pointerleave", left, { signal })
  const twice = (event: MouseEvent) => {
    if (bench.tools.name !== "look" || closest(event, `button, ${OWN}`)) return
    const { view, glide } = bench
    const nearer = view.fitZoom < 0.999 ? 1 : view.rung(1, view.fitZoom)
    glide.to(view.zoom < 0.999 * nearer ? nearer : view.fitZoom, ...stagePlace(bench, event))
  }
  bench.parts.stage.addEventListener("dblclick", twice, { signal })
}

/** What goes on while a pointer is pressed; places are on the stage. */
interface Gesture {
  kind?: "pinch"
  move: (at: Point, shift: boolean) => void
  end?: (at: Point) => unknown
  drop?: () => void
}

/** What a pressed pointer does, by tool and by what it is pressed on. */
function beginGesture(bench: PictureBench, event: PointerEvent): Gesture {
  const { tools, view } = bench
  const { handle, mark } = datasetOf(event)
  const from = stagePlace(bench, event)
  if (event.button === 1 || bench.panning) return panGesture(bench, from)
  if (mark !== undefined) return markGesture(bench, Number(mark), from)
  // A region that is the whole frame cannot be moved: a drag inside it draws a new one.
  if (handle !== undefined && !(handle === "move" && tools.isWhole)) {
    tools.start(handle)
    return { move: ([x, y]) => tools.pull((x - from[0]) / view.zoom, (y - from[1]) / view.zoom) }
  }
  if (tools.draws) return drawGesture(bench, from)
  if (tools.trails) return trailGesture(bench, from)
  if (tools.kind === "places") return clickGesture(bench, from, (at) => tools.setPlace(at))
  if (tools.kind === "place") return clickGesture(bench, from, (at) => bench.lookAt(at))
  return clickGesture(bench, from, () => bench.pickAt(from))
}

function panGesture(bench: PictureBench, from: Point): Gesture {
  let last = from
  return {
    move(at) {
      bench.view.panBy(at[0] - last[0], at[1] - last[1])
      last = at
      bench.moved()
    },
  }
}

function drawGesture(bench: PictureBench, from: Point): Gesture {
  const { tools, view } = bench
  const start = view.toFrame(...from)
  let drawing = false
  return {
    move(at) {
      drawing ||= strayed(bench, from, at)
      if (drawing) tools.draw(start, view.toFrame(...at))
    },
    end: () => drawing && tools.drawn(),
    drop: () => tools.cancel(),
  }
}

function trailGesture(bench: PictureBench, from: Point): Gesture {
  const { tools, view } = bench
  tools.follow(view.toFrame(...from))
  return {
    move: (at, shift) => tools.follow(view.toFrame(...at), shift),
    end: () => tools.followed(),
    drop: () => {
      tools.trail = []
    },
  }
}

/** A click does `act` with the frame place; a drag moves the picture. */
function clickGesture(bench: PictureBench, from: Point, act: (at: Point) => void): Gesture {
  const pan = panGesture(bench, from)
  let moved = false
  return {
    move(at) {
      moved ||= strayed(bench, from, at)
      if (moved) pan.move(at, false)
    },
    end: (at) => !moved && act(bench.view.toFrame(...at)),
  }
}

function markGesture(bench: PictureBench, number: number, from: Point): Gesture {
  const { tools, view } = bench
  let moved = false
  return {
    move(at) {
      moved ||= strayed(bench, from, at)
      if (!moved) return
      tools.drag = { mark: number, at: view.toFrame(...at) }
      bench.changed()
    },
    async end() {
      if (moved && tools.drag?.mark === number) await tools.movePlace(number, tools.drag.at)
      tools.drag = null
    },
    drop() {
      tools.drag = null
    },
  }
}

/** Two fingers: what lies between them stays between them. */
function pinch(bench: PictureBench, pointers: Map<number, Point>): Gesture {
  const between = () => {
    const [[xa, ya], [xb, yb]] = [...pointers.values()]
    return { x: (xa + xb) / 2, y: (ya + yb) / 2, apart: Math.hypot(xa - xb, ya - yb) || 1 }
  }
  let last = between()
  return {
    kind: "pinch",
    move() {
      if (pointers.size !== 2) return
      const now = between()
      bench.view.panBy(now.x - last.x, now.y - last.y)
      bench.view.zoomAround((bench.view.zoom * now.apart) / last.apart, now.x, now.y)
      last = now
      bench.moved()
    },
  }
}

const strayed = (bench: PictureBench, [xa, ya]: Point, [xb, yb]: Point): boolean =>
  Math.hypot(xa - xb, ya - yb) > CLICK * bench.unit

export function listenToKeys(bench: PictureBench, signal: AbortSignal): void {
  const { view, glide, tools } = bench
  const pan = (dx: number, dy: number) => (event: KeyboardEvent) => {
    if (tools.nudge(event)) return
    const share = event.shiftKey ? 0.5 : 0.12
    view.panBy(-dx * share * view.stage.width, -dy * share * view.stage.height)
    bench.moved()
    bench.readout.pointMiddle()
  }
  const press = (react: () => void) => (event: KeyboardEvent) =>
    event.target === bench.parts.stage || datasetOf(event).handle ? react() : false
  const keys: Reactions = {
    "+": () => glide.to(view.rung(1, glide.goal)),
    "=": () => glide.to(view.rung(1, glide.goal)),
    "-": () => glide.to(view.rung(-1, glide.goal)),
    0: () => glide.to(view.fitZoom),
    1: () => glide.to(1),
    ArrowLeft: pan(-1, 0),
    ArrowRight: pan(1, 0),
    ArrowUp: pan(0, -1),
    ArrowDown: pan(0, 1),
    Delete: (event) => tools.nudge(event),
    Backspace: (event) => tools.nudge(event),
    Enter: press(() => tools.enter()),
    Escape: () => (tools.name === "look" ? false : tools.cancel()),
    m: () => void bench.act("tool", { name: tools.kind === "place" ? "look" : "place" }),
    b: (event) => event.repeat || bench.hold(true),
    B: (event) => event.repeat || bench.hold(true),
  }
  for (const arrow of ["ArrowLeft", "ArrowRight", "ArrowUp", "ArrowDown"]) keys[`Shift+${arrow}`] = keys[arrow]
  onKeys(bench.parts.stage, keys, signal)

  const space = (event: KeyboardEvent) => {
    if (event.key !== " " || event.target !== bench.parts.stage) return
    bench.panning = event.type === "keydown"
    event.preventDefault()
  }
  bench.parts.stage.addEventListener("keydown", space, { signal })
  bench.parts.stage.addEventListener("keyup", space, { signal })
  // The key may come up anywhere, or never where the window lost the keyboard.
  const release = () => {
    bench.panning = false
    bench.hold(false)
  }
  bench.window.addEventListener("keyup", (event) => event.key.toLowerCase() === "b" && bench.hold(false), { signal })
  bench.window.addEventListener("blur", release, { signal })
}
