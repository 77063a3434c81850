// Pointer, wheel and keys on the stage. `bench` is the object that `viewer.js` puts together.

const CLICK = 4 // CSS pixels that a pointer may stray in a click

/** Place of an event on the stage, in device pixels. */
function stagePlace(bench, event) {
  const box = bench.stage.getBoundingClientRect()
  return [(event.clientX - box.left) * bench.unit(), (event.clientY - box.top) * bench.unit()]
}

function listenToWheel(bench, signal) {
  const turn = (event) => {
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
  bench.stage.addEventListener("wheel", turn, { passive: false, signal })
}

function listenToPointers(bench, signal) {
  const pointers = new Map()
  let gesture = null

  const down = (event) => {
    if (!bench.view.known || event.button === 2 || event.target.closest("[data-exclude], .wt-divider")) return
    if (gesture && gesture.kind !== "pinch") gesture.drop?.()
    bench.stage.setPointerCapture(event.pointerId)
    bench.glide.stop()
    pointers.set(event.pointerId, stagePlace(bench, event))
    gesture = pointers.size === 2 ? pinch(bench, pointers) : pointers.size === 1 ? beginGesture(bench, event) : null
    ;(event.target.closest("button") ?? bench.stage).focus({ preventScroll: true })
    event.preventDefault()
  }
  const move = (event) => {
    bench.readout.point(stagePlace(bench, event))
    if (!pointers.has(event.pointerId)) return
    pointers.set(event.pointerId, stagePlace(bench, event))
    gesture?.move(stagePlace(bench, event))
  }
  const up = (event) => {
    if (!pointers.delete(event.pointerId)) return
    if (event.type === "pointercancel") gesture?.drop?.()
    else gesture?.end?.(stagePlace(bench, event))
    gesture = null
  }
  const on = (name, react) => bench.stage.addEventListener(name, react, { signal })
  on("pointerdown", down)
  on("pointermove", move)
  on("pointerup", up)
  on("pointercancel", up)
  on("pointerleave", () => bench.readout.point(null))
  on("dblclick", (event) => {
    if (bench.tools.name !== "look" || event.target.closest("button, .wt-divider")) return
    const { view, glide } = bench
    const near = view.zoom < 0.999
    glide.to(near ? 1 : view.fitZoom, ...stagePlace(bench, event))
  })
}

/** What a pressed pointer does, by tool and by what it is pressed on. */
function beginGesture(bench, event) {
  const { tools, view } = bench
  const { handle, sample } = event.target.dataset
  const from = stagePlace(bench, event)
  if (event.button === 1 || bench.panning) return panGesture(bench, from)
  if (sample !== undefined) return sampleGesture(bench, Number(sample), from)
  // A region that is the whole frame cannot be moved: a drag inside it draws a new one.
  if (handle !== undefined && !(handle === "move" && tools.isWhole)) {
    tools.start(handle, from)
    return { move: ([x, y]) => tools.pull((x - from[0]) / view.zoom, (y - from[1]) / view.zoom) }
  }
  if (tools.draws) return drawGesture(bench, from)
  if (tools.name === "sample") return clickGesture(bench, from, (at) => tools.sample(at))
  if (tools.name === "place") return clickGesture(bench, from, (at) => bench.lookAt(at))
  return panGesture(bench, from)
}

function panGesture(bench, from) {
  let last = from
  return {
    move(at) {
      bench.view.panBy(at[0] - last[0], at[1] - last[1])
      last = at
      bench.moved()
    },
  }
}

function drawGesture(bench, from) {
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

/** A click does `act` with the frame place; a drag moves the picture. */
function clickGesture(bench, from, act) {
  const pan = panGesture(bench, from)
  let moved = false
  return {
    move(at) {
      moved ||= strayed(bench, from, at)
      if (moved) pan.move(at)
    },
    end: (at) => !moved && act(bench.view.toFrame(...at)),
  }
}

function sampleGesture(bench, number, from) {
  const { tools, view } = bench
  let moved = false
  return {
    move(at) {
      moved ||= strayed(bench, from, at)
      if (!moved) return
      tools.drag = { sample: number, at: view.toFrame(...at) }
      bench.changed()
    },
    end: () => moved && tools.moveSample(number, tools.drag.at).then(() => (tools.drag = null)),
    drop: () => (tools.drag = null),
  }
}

/** Two fingers: what lies between them stays between them. */
function pinch(bench, pointers) {
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

const strayed = (bench, [xa, ya], [xb, yb]) => Math.hypot(xa - xb, ya - yb) > CLICK * bench.unit()

function listenToKeys(bench, signal) {
  const { view, glide, tools } = bench
  const pan = (dx, dy) => (event) => {
    if (tools.nudge(event)) return
    const share = event.shiftKey ? 0.5 : 0.12
    view.panBy(-dx * share * view.stage.width, -dy * share * view.stage.height)
    bench.moved()
    bench.readout.pointMiddle()
  }
  const press = (react) => (event) =>
    event.target === bench.stage || event.target.dataset.handle ? react() : false
  const keys = {
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
    b: (event) => event.repeat || bench.hold(true),
    B: (event) => event.repeat || bench.hold(true),
  }
  for (const arrow of ["ArrowLeft", "ArrowRight", "ArrowUp", "ArrowDown"]) keys[`Shift+${arrow}`] = keys[arrow]
  onKeys(bench.stage, keys, signal)

  const space = (event) => {
    if (event.key !== " " || event.target !== bench.stage) return
    bench.panning = event.type === "keydown"
    event.preventDefault()
  }
  bench.stage.addEventListener("keydown", space, { signal })
  bench.stage.addEventListener("keyup", space, { signal })
  // The key may come up anywhere, or never where the window lost the keyboard.
  const release = () => {
    bench.panning = false
    bench.hold(false)
  }
  window.addEventListener("keyup", (event) => event.key.toLowerCase() === "b" && bench.hold(false), { signal })
  window.addEventListener("blur", release, { signal })
}
