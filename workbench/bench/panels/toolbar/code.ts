// The session as Python.

import { attribute, button, make } from "../../page/shared/dom"
import { oneTabStop } from "../../page/shared/keys"
import type { Drawer, Toolbar } from "./toolbar"

export class CodeDrawer implements Drawer {
  readonly element: HTMLElement
  readonly text = make("textarea", {
    class: "wt-input wt-figures wt-code",
    readonly: true,
    rows: 12,
    "aria-label": "The session as Python",
    spellcheck: "false",
  })
  readonly recipe = button("The recipe as it stands", () => this.#show("session_code"), { pressed: true })
  readonly history = button("Every command so far", () => this.#show("history"), { pressed: false })
  readonly copied = button("Copy", () => this.#copy())

  constructor(readonly toolbar: Toolbar) {
    const kinds = make(
      "div",
      { class: "wt-group", role: "toolbar", "aria-label": "What the code says" },
      this.recipe,
      this.history,
    )
    oneTabStop(kinds, toolbar.signal)
    this.element = make(
      "div",
      {},
      make("div", { class: "wt-row" }, kinds, make("span", { class: "wt-grow" }), this.copied),
      this.text,
    )
  }

  focus(): void {
    this.recipe.focus()
  }

  shown(): Promise<void> {
    return this.#show("session_code")
  }

  update(): void {}

  async #show(name: string): Promise<void> {
    const text = await this.toolbar.act(name)
    if (text === undefined) return
    this.text.value = typeof text === "string" ? text : ""
    attribute(this.recipe, "aria-pressed", String(name === "session_code"))
    attribute(this.history, "aria-pressed", String(name === "history"))
  }

  async #copy() {
    this.text.select()
    try {
      await navigator.clipboard.writeText(this.text.value)
    } catch {
      // Pages without https have no clipboard of the newer kind.
      // eslint-disable-next-line @typescript-eslint/no-deprecated
      document.execCommand("copy")
    }
    this.toolbar.status.say("copied: paste it into a cell")
  }
}
