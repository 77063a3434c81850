// The session as Python.

import { attribute, button, make } from "../../page/shared/dom"
import { DrawerPanel } from "../../page/shared/drawer"
import { oneTabStop } from "../../page/shared/keys"
import type { Model } from "../../page/shared/model"
import type { Mount } from "../../page/shared/panel"

export class CodeDrawer extends DrawerPanel<object> {
  readonly text = make("textarea", {
    class: "wt-input wt-figures wt-code-text",
    readonly: true,
    rows: 12,
    "aria-label": "The session as Python",
    spellcheck: "false",
  })
  readonly recipe = button("The recipe as it stands", () => this.#show("session_code"), { pressed: true })
  readonly history = button("Every command so far", () => this.#show("history"), { pressed: false })
  readonly copied = button("Copy", () => this.#copy())

  constructor(model: Model<object>, mount: Mount) {
    super("code", model, mount)
    const kinds = make(
      "div",
      { class: "wt-group", role: "toolbar", "aria-label": "What the code says" },
      this.recipe,
      this.history,
    )
    oneTabStop(kinds, this.signal)
    this.build(make("div", { class: "wt-row" }, kinds, make("span", { class: "wt-grow" }), this.copied), this.text)
  }

  protected override shown(): void {
    void this.#show("session_code")
  }

  protected update(): void {}

  async #show(name: string): Promise<void> {
    const text = await this.act(name)
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
    this.status.say("copied: paste it into a cell")
  }
}
