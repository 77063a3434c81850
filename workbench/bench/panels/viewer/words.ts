// What the picture says in words: badges, the readout, the text for those who do not see it.

import { plainNumber } from "../../page/shared/numbers"
import { compareWords, isPlace } from "./compare"
import type { PictureBench } from "./picture"
import { lineUp } from "./sides"
import type { FitMessage, Probe, ViewerState } from "./state"

export const POINT = "Point at the picture to read its values."

/** What stands where there is no picture yet. */
export function emptyWords({ opening, stack }: ViewerState): string {
  if (opening) return `Opening ${opening}…`
  return stack ? "Measuring; the first picture is on its way…" : "Open a stack, and it is shown here."
}

/** Short words that lie over the picture. */
export function badgeWords(bench: PictureBench, message: FitMessage): string[] {
  const state = bench.state
  const words: string[] = []
  if (state.opening) words.push(`opening ${state.opening}`)
  else if (message.draft) words.push("draft")
  else if (state.busy) words.push("working")
  if (state.layers?.offered && state.layers.shown !== "both") {
    const layer = state.layers.shown === "stars" ? "stars alone" : "starless layer"
    words.push(isPlace(state.layers.before) ? `${layer}, before step ${state.layers.before + 1}` : layer)
  }
  if (isPlace(state.frame_of)) {
    const inside = state.frame_of < (state.steps?.length ?? 0)
    words.push(inside ? `frame before step ${state.frame_of + 1}` : "frame after all steps")
  }
  if (bench.frames.before.fit && !lineUp(bench.frames)) words.push("before: nothing tells where it lies")
  else if (bench.held) words.push(`before: ${compareWords(state)[0]}`)
  return words
}

const shownSides = (bench: PictureBench) => bench.sides.map(({ side }) => side)

/** The picture in a sentence, for those who do not see it. */
export function pictureWords(bench: PictureBench, badges: string[], exact: boolean): string {
  const { view } = bench
  const seen = view.visible()
  if (!seen) return "no picture yet"
  const rows = `columns ${seen.x0} to ${seen.x0 + seen.width}, rows ${seen.y0} to ${seen.y0 + seen.height}`
  const { width, height } = view.frame
  const parts = [
    `Picture of ${width} by ${height} pixels, ${view.fitted ? "the whole frame" : rows} at ${view.words}`,
    exact && "exact pixels",
    shownSides(bench).some((side) => bench.frames[side].fit?.message.linear) &&
      (bench.state.brightened === false ? "linear light as it is" : "linear light, brightened for the screen only"),
    badges.join(", ") || "settled",
  ]
  if (bench.divided) {
    const [left, right] = compareWords(bench.state)
    parts.push(`left of the divider ${left}, right of it ${right}`)
  }
  return parts.filter(Boolean).join("; ")
}

/** What lies under the pointer: where, then the values. */
export function readoutWords({ x, y, linear, display, sky, star, names = [] }: Probe, words: string): string {
  const channels = (values: number[]) => {
    const names = values.length === 3 ? ["R ", "G ", "B "] : values.map(() => "")
    return values.map((value, i) => names[i] + plainNumber(value, 4)).join("  ")
  }
  const where = [`${words}column ${x}, row ${y}`]
  if (sky) where.push(sky)
  if (star) where.push(`star FWHM ${plainNumber(star.fwhm_px)} px, ${plainNumber(star.distance)} px away`)
  const what: string[] = []
  if (linear) what.push(`linear ${channels(linear)}`)
  if (display) what.push(`display ${channels(display)}`)
  return [where, what, names]
    .map((parts) => parts.join("  ·  "))
    .filter(Boolean)
    .join("\n")
}
