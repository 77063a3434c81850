// A panel inside the element that anywidget gives it.

import { refuse } from "./ask"
import { benchOf, KERNEL } from "./bench"
import { attribute, make } from "./dom"
import type { Condition } from "./kernel"
import type { Model, Widget } from "./model"

/** Where a panel is built, and the signal that tells when its view is gone. */
export interface Mount {
  root: HTMLElement
  signal: AbortSignal
}

/** The module that a widget loads: `build` puts a panel of this name and spoken label into its place. */
export function panel<State>(
  name: string,
  label: string,
  build: (model: Widget<State>["model"], mount: Mount) => unknown,
): { render: (widget: Widget<State>) => () => void } {
  return {
    render({ model, el }) {
      const end = new AbortController()
      const root = make("section", { class: `wt wt-${name}`, "aria-label": label })
      keepPlainKeys(root, end.signal)
      heedKernel(model, root, end.signal)
      el.append(root)
      build(model, { root, signal: end.signal })
      return () => {
        end.abort()
        root.remove()
      }
    },
  }
}

/** The notebook has one-letter commands; plain keys pressed inside a panel are the panel's, Ctrl and Cmd stay the
 *  notebook's. It looks for this attribute while it handles the key, so it must be right just before. */
function keepPlainKeys(root: HTMLElement, signal: AbortSignal): void {
  const ours = (event: KeyboardEvent) => {
    attribute(root, "data-lm-suppress-shortcuts", event.ctrlKey || event.metaKey ? null : "true")
  }
  window.addEventListener("keydown", ours, { capture: true, signal })
}

/** Without its kernel a panel refuses what is asked of it, at the place where it is asked. */
function heedKernel<State>(model: Model<State>, root: HTMLElement, signal: AbortSignal): void {
  const heard = (event: Event) => {
    const bench = benchOf(root)
    if (!(event instanceof CustomEvent) || !(event.target instanceof Node) || !bench?.contains(event.target)) return
    const condition = event.detail as Condition
    attribute(bench, "data-kernel", condition)
    refuse(model, condition === "lost" ? "the kernel of this bench was stopped" : null)
  }
  document.addEventListener(KERNEL, heard, { signal })
}
