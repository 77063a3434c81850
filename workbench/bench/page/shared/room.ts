// How much room the bench has: what is seen of the notebook at once, or the whole window.

import { benchOf } from "./bench"
import { attribute } from "./dom"

const EDGE = 12 // CSS pixels that a notebook leaves above and below what a cell shows

/** The place in which the page around the bench scrolls; null: the page itself. Boxes that grow with what they hold
 *  are called scrollable, too, so the outermost one counts. */
function scrollerOf(bench: HTMLElement): HTMLElement | null {
  let found: HTMLElement | null = null
  for (let at = bench.parentElement; at && at !== document.body; at = at.parentElement) {
    if (/auto|scroll/.test(getComputedStyle(at).overflowY) && at.clientHeight <= window.innerHeight) found = at
  }
  return found
}

/** Keep the bench as high as what is seen of the notebook, so that all of it is seen at once. */
export function keepRoom(root: HTMLElement, signal: AbortSignal): void {
  let watched: HTMLElement | null = null
  let begun = false
  const fit = () => {
    const bench = benchOf(root)
    if (!bench?.isConnected) return
    const scroller = scrollerOf(bench)
    if (scroller && scroller !== watched) observer.observe(scroller)
    watched = scroller
    const room = `${(scroller?.clientHeight ?? window.innerHeight) - EDGE}px`
    if (bench.style.getPropertyValue("--wt-room") !== room) bench.style.setProperty("--wt-room", room)
    if (!begun) requestAnimationFrame(() => show(bench))
    begun = true
  }
  const observer = new ResizeObserver(fit)
  observer.observe(root)
  window.addEventListener("resize", fit, { signal })
  signal.addEventListener("abort", () => observer.disconnect(), { once: true })
}

/** Bring all of a bench into sight that was begun where a part of it is seen already. */
function show(bench: HTMLElement): void {
  const { top, bottom } = bench.getBoundingClientRect()
  if (top >= 0 && top < window.innerHeight && bottom > window.innerHeight - EDGE) bench.scrollIntoView({ block: "end" })
}

/** A button that gives the bench the whole window; the same button or Escape gives the notebook its place back. */
export function wholeWindow(root: HTMLElement, press: HTMLElement, signal: AbortSignal): void {
  const isWhole = () => benchOf(root)?.matches(":popover-open") ?? false
  const turn = (on: boolean) => {
    const bench = benchOf(root)
    if (!bench || on === isWhole()) return
    // In the browser's top layer: no box of the notebook around it clips it or counts its place from itself.
    if (on) {
      bench.popover = "manual"
      bench.showPopover()
    } else {
      bench.hidePopover()
      bench.popover = null
      press.focus()
      bench.scrollIntoView({ block: "end" })
    }
    attribute(press, "aria-pressed", String(on))
    press.textContent = on ? "Back to the notebook" : "Whole window"
  }
  press.addEventListener("click", () => turn(!isWhole()), { signal })
  // Whoever has a use of their own for Escape (a tool in hand, a drawer) keeps the key from coming this far.
  const back = (event: KeyboardEvent) => {
    if (event.key !== "Escape" || event.defaultPrevented || !isWhole()) return
    event.preventDefault()
    turn(false)
  }
  window.addEventListener("keydown", back, { signal })
}
