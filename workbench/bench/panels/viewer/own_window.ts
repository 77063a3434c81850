// The picture once more, in a window of the browser's own: beside the notebook, or on another screen. It is a second
// view of the same picture, which zooms by itself; tools, marks and sides are those of the bench.

import { attribute, button } from "../../page/shared/dom"

/** Puts a view into a place and returns how to take it away. */
export type Show = (place: HTMLElement) => () => void

const PAGE = `<!doctype html><html lang="en"><meta charset="utf-8"><title></title><body></body></html>`

/** Open a window and show the picture there; `gone` is called once it is closed. Null where the browser opens none. */
function opened(show: Show, gone: () => void): Window | null {
  const other = window.open("", "", "popup,width=1200,height=860")
  if (!other) return null
  const there = other.document
  // The empty page that a window begins with is laid out as in the nineties, and only writing another changes that.
  // eslint-disable-next-line @typescript-eslint/no-deprecated
  there.write(PAGE)
  there.close()
  there.title = `Picture \u00b7 ${document.title}`
  dress(there)
  const themes = new MutationObserver(() => dress(there))
  themes.observe(document.body, { attributes: true })
  const place = there.createElement("main")
  place.className = "wt-own"
  there.body.append(place)
  const end = show(place)
  const close = () => other.close() // the notebook goes, and with it whatever draws there
  window.addEventListener("pagehide", close)
  other.addEventListener("pagehide", () => {
    themes.disconnect()
    window.removeEventListener("pagehide", close)
    end()
    gone()
  })
  return other
}

/** Give a page our styles and the notebook's theme. */
function dress(there: Document): void {
  for (const { name, value } of document.body.attributes) {
    if (name.includes("theme")) attribute(there.body, name, value)
  }
  const ours = [...document.querySelectorAll("style")].filter(({ textContent }) => textContent?.includes(".wt-"))
  there.head.querySelectorAll("style").forEach((style) => style.remove())
  there.head.append(...ours.map((style) => there.importNode(style, true)))
}

/** A switch that opens the window and closes it. */
export function windowButton(show: Show, fail: (text: string) => void, signal: AbortSignal): HTMLButtonElement {
  let other: Window | null = null
  const turned = () => attribute(press, "aria-pressed", String(other !== null))
  const press = button(
    "Own window",
    () => {
      if (other) return other.close()
      other = opened(show, () => {
        other = null
        turned()
      })
      if (!other) fail("the browser opened no window: allow pop-up windows for this page")
      turned()
    },
    { pressed: false, title: "the picture once more in a window of its own, beside the notebook or on another screen" },
  )
  signal.addEventListener("abort", () => other?.close(), { once: true })
  return press
}
