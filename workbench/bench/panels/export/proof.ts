// The soft proof: a printer's profile and a rendering intent, whether the picture is shown as it will be printed, and
// how much of it cannot be.

import { attribute, button, make } from "../../page/shared/dom"
import type { ExportState } from "./state"

type Act = (name: string, args: Record<string, unknown>) => unknown

const INTENTS = {
  relative: "relative colorimetric: only colors out of gamut are changed",
  perceptual: "perceptual: all colors make room",
}

export class SoftProof {
  readonly profile = make("input", {
    class: "wt-input wt-figures",
    type: "text",
    placeholder: "printer.icc",
    "aria-label": "ICC profile of the printer and its paper",
    spellcheck: "false",
    autocomplete: "off",
  })
  readonly intent = make(
    "select",
    { class: "wt-select", "aria-label": "Rendering intent" },
    ...Object.entries(INTENTS).map(([value, words]) => make("option", { value }, words)),
  )
  readonly lost = make("span", { class: "wt-soft", role: "status" })
  readonly element = make(
    "div",
    { class: "wt-save-file" },
    this.profile,
    make("div", { class: "wt-group" }, this.intent, this.lost),
  )
  readonly press: HTMLElement
  #shown = false

  constructor(act: Act) {
    const tell = (on: boolean) =>
      act("soft_proof", { profile: this.profile.value.trim(), intent: this.intent.value, on })
    this.press = button("Show the soft proof", () => tell(!this.#shown), { pressed: false })
    this.intent.addEventListener("change", () => this.#shown && tell(true))
    this.profile.addEventListener("keydown", (event) => event.key === "Enter" && void tell(true))
  }

  update({ proof = null }: Pick<Partial<ExportState>, "proof">): void {
    this.#shown = proof !== null
    attribute(this.press, "aria-pressed", String(this.#shown))
    const lost = proof?.lost ?? null
    const share = lost === null ? "" : `${(100 * lost).toFixed(1)} % of the picture is out of gamut`
    this.lost.textContent = proof ? [proof.printer, share].filter(Boolean).join(": ") : ""
  }
}
