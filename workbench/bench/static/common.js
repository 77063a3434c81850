// Shared by all panels of the bench; put before each panel's own module. Plain functions, nothing exported.

// -- asking the kernel ----------------------------------------------------------------------------

const askers = new WeakMap() // model -> what it waits for; two views of one panel share a model

function askerOf(model) {
  let asker = askers.get(model)
  if (asker) return asker
  // Replies reach every open page, so numbers start at a place of this page's own.
  asker = { next: Math.floor(Math.random() * 2 ** 40), waiting: new Map() }
  askers.set(model, asker)
  model.on("msg:custom", (message) => {
    const promise = asker.waiting.get(message?.reply)
    if (!promise) return
    asker.waiting.delete(message.reply)
    clearTimeout(promise.timer)
    if (message.error) promise.reject(new Error(message.error))
    else promise.resolve(message.value)
  })
  return asker
}

/** Ask the kernel to do `name` with `args`; the promise brings the value, or fails with a sentence for people.
 *  `buffers`: binary data sent along; `patience`: seconds after which an answer is no longer expected. */
function ask(model, name, args = {}, { buffers = [], patience = 0 } = {}) {
  const asker = askerOf(model)
  const id = asker.next++
  return new Promise((resolve, reject) => {
    const late = () => {
      asker.waiting.delete(id)
      reject(new Error("the kernel does not answer: it may be busy, or it was stopped"))
    }
    const timer = patience > 0 ? setTimeout(late, patience * 1000) : 0
    asker.waiting.set(id, { resolve, reject, timer })
    model.send({ id, do: name, with: args }, undefined, buffers)
  })
}

/** A function that hands on the newest value only: one unanswered `send` at a time, one at most per painted frame.
 *  `send(value)` returns a promise; values that came meanwhile are replaced by the last one. */
function newestOnly(send) {
  let waiting = null
  let busy = false
  let frame = 0
  const go = async () => {
    frame = 0
    if (busy || !waiting) return
    const { value } = waiting
    waiting = null
    busy = true
    try {
      await send(value)
    } catch {
      // Whoever sends tells the person; the next value must go out all the same.
    }
    busy = false
    if (waiting) frame = requestAnimationFrame(go)
  }
  const give = (value) => {
    waiting = { value }
    if (!frame && !busy) frame = requestAnimationFrame(go)
  }
  give.forget = () => {
    waiting = null
    cancelAnimationFrame(frame)
    frame = 0
  }
  return give
}

/** Run `work` when calls have been quiet for `ms`. */
function whenQuiet(work, ms) {
  let timer = 0
  const later = (...args) => {
    clearTimeout(timer)
    timer = setTimeout(() => work(...args), ms)
  }
  later.forget = () => clearTimeout(timer)
  return later
}

/** Call `react` on a model's event until `signal` says that the view is gone. */
function watch(model, event, react, signal) {
  model.on(event, react)
  signal.addEventListener("abort", () => model.off(event, react), { once: true })
}

// -- making elements ------------------------------------------------------------------------------

/** `make("button", { class: "wt-button", "aria-pressed": "false", on: { click } }, "Undo")`.
 *  `null`, `undefined` and `false` leave an attribute out, `true` sets it empty. */
function make(tag, props = {}, ...children) {
  const element = document.createElement(tag)
  return fill(element, props, ...children)
}

const SVG = "http://www.w3.org/2000/svg"

/** The same for drawings. */
function makeSvg(tag, props = {}, ...children) {
  return fill(document.createElementNS(SVG, tag), props, ...children)
}

function fill(element, { on = {}, dataset = {}, style = {}, ...attributes }, ...children) {
  for (const [name, value] of Object.entries(attributes)) attribute(element, name, value)
  for (const [event, react] of Object.entries(on)) element.addEventListener(event, react)
  for (const [name, value] of Object.entries(style)) element.style.setProperty(name, value)
  Object.assign(element.dataset, dataset)
  element.append(...children.flat().filter((child) => child !== null && child !== undefined && child !== false))
  return element
}

/** Set, or with `null`/`false` take away, an attribute; touches the page only where something changes. */
function attribute(element, name, value) {
  if (value === null || value === undefined || value === false) element.removeAttribute(name)
  else if (value === true) element.setAttribute(name, "")
  else if (element.getAttribute(name) !== String(value)) element.setAttribute(name, value)
}

/** A button with words on it; `pressed` makes it a switch. */
function button(words, press, { pressed = null, ...props } = {}) {
  const state = pressed === null ? null : String(Boolean(pressed))
  return make(
    "button",
    { type: "button", class: "wt-button", "aria-pressed": state, on: { click: press }, ...props },
    words,
  )
}

let made = 0

/** An id that no other element of the page has. */
function freshId(word) {
  made += 1
  return `wt-${word}-${made}-${Math.random().toString(36).slice(2, 7)}`
}

/** The root of a panel inside anywidget's `el`. Returns it with the signal that tells when the view is gone, and
 *  `gone`, which the panel's `render` must return. */
function panelRoot(el, name, label) {
  const end = new AbortController()
  const root = make("section", { class: `wt wt-${name}`, "aria-label": label })
  // The notebook has one-letter commands; plain keys pressed inside a panel are the panel's, Ctrl and Cmd stay the
  // notebook's. It looks for this attribute while it handles the key, so it must be right just before.
  const plainKeysAreOurs = (event) => {
    attribute(root, "data-lm-suppress-shortcuts", event.ctrlKey || event.metaKey ? null : "true")
  }
  window.addEventListener("keydown", plainKeysAreOurs, { capture: true, signal: end.signal })
  el.append(root)
  const gone = () => {
    end.abort()
    root.remove()
  }
  return { root, signal: end.signal, gone }
}

// -- telling --------------------------------------------------------------------------------------

/** A line that tells what happened; screen readers hear it. `say` for news, `fail` for what went wrong. */
function statusLine(changed = () => {}) {
  const news = make("span", { role: "status" })
  const alarm = make("span", { role: "alert", class: "wt-alarm" })
  const element = make("p", { class: "wt-status" }, news, alarm)
  const show = (target, other, text) => {
    other.textContent = ""
    if (target.textContent !== text) target.textContent = text
    changed(text !== "")
  }
  return {
    element,
    say: (text) => show(news, alarm, text),
    fail: (error) => show(alarm, news, error instanceof Error ? error.message : String(error)),
    clear: () => show(news, alarm, ""),
  }
}

/** `act("undo")` asks the kernel and tells in the status line when it fails; the promise brings undefined then. */
function actor(model, status) {
  return async (name, args = {}, options = {}) => {
    try {
      const value = await ask(model, name, args, options)
      status.clear()
      return value
    } catch (error) {
      status.fail(error)
      return undefined
    }
  }
}

// -- keyboard -------------------------------------------------------------------------------------

/** A key press as words: "Enter", "Shift+ArrowLeft", "Ctrl+z" (Cmd counts as Ctrl). */
function keyName(event) {
  const held = [(event.ctrlKey || event.metaKey) && "Ctrl", event.altKey && "Alt"]
  // For letters and signs Shift is already in the key itself.
  if (event.shiftKey && event.key.length > 1) held.push("Shift")
  return [...held.filter(Boolean), event.key].join("+")
}

/** Whether keys go into a text field now. */
function isTyping(target) {
  return Boolean(
    target?.closest?.("input:not([type=range],[type=checkbox],[type=radio]), textarea, select, [contenteditable]"),
  )
}

/** React to keys by name: `onKeys(root, { Escape: cancel, "Ctrl+z": undo }, signal)`. A handler that returns `false`
 *  leaves the key to others. */
function onKeys(element, reactions, signal) {
  const press = (event) => {
    const react = reactions[keyName(event)]
    if (!react || isTyping(event.target) || react(event) === false) return
    event.preventDefault()
    event.stopPropagation()
  }
  element.addEventListener("keydown", press, { signal })
}

/** A group of buttons that is one stop of the Tab key; arrows move inside. Call again after its buttons changed. */
function oneTabStop(group, signal) {
  const buttons = () => [...group.querySelectorAll("button:not(:disabled)")].filter((b) => b.offsetParent !== null)
  const stop = (chosen) => {
    for (const each of group.querySelectorAll("button")) each.tabIndex = each === chosen ? 0 : -1
  }
  const step = (by) => {
    const all = buttons()
    const next = all[(all.indexOf(document.activeElement) + by + all.length) % all.length]
    stop(next)
    next?.focus()
  }
  if (!group.dataset.oneTabStop) {
    group.dataset.oneTabStop = "true"
    const back = () => step(-1)
    const on = () => step(1)
    onKeys(group, { ArrowLeft: back, ArrowUp: back, ArrowRight: on, ArrowDown: on }, signal)
    group.addEventListener("focusin", (event) => stop(event.target.closest("button")), { signal })
  }
  const all = [...group.querySelectorAll("button")]
  stop(
    all.find((b) => b.tabIndex === 0 && !b.disabled && b === document.activeElement) ??
      all.find((b) => b.ariaPressed === "true") ??
      all[0],
  )
}

/** The value that a key gives to a slider: arrows by `step` (Shift: ten), pages by `big`, Home and End; else null. */
function slidTo(event, value, { min, max, step, big = 10 * step }) {
  const by = event.shiftKey ? 10 * step : step
  const moves = { ArrowRight: by, ArrowUp: by, ArrowLeft: -by, ArrowDown: -by, PageUp: big, PageDown: -big }
  if (event.key === "Home") return min
  if (event.key === "End") return max
  const move = moves[event.key]
  return move === undefined || event.ctrlKey || event.metaKey || event.altKey ? null : clamp(value + move, min, max)
}

// -- numbers --------------------------------------------------------------------------------------

const clamp = (value, low, high) => Math.min(Math.max(value, low), high)

/** A number with as many digits as people want to read: 0.0123, 12.3, 1234. */
function plainNumber(value, digits = 3) {
  if (value === null || value === undefined || !Number.isFinite(value)) return "–"
  if (value === 0) return "0"
  const size = Math.abs(value)
  if (size >= 10 ** digits) return String(Math.round(value))
  if (size < 1e-4) return value.toExponential(1)
  return String(Number(value.toPrecision(digits)))
}

/** Whether the person asked their system for less movement. */
const wantsCalm = () => matchMedia("(prefers-reduced-motion: reduce)").matches
