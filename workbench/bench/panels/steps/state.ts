// What the kernel tells this panel, as plain data.

export interface Card {
  index: number
  key: number
  id: string
  title: string
  on: boolean
  selected: boolean
  thumb: string | null
  found: string
  problem?: string | null
  note: string
  /** Measuring the full frame, and drawing the view. */
  seconds?: [number | null, number | null] | null
  frozen: boolean
  where: string | null
  /** The layer it was told to work on, in words. */
  layer?: string | null
  /** How much of its change is made, in words, where that is not all. */
  opacity?: string | null
}

/** An operation that can be added. */
export interface Offer {
  id: string
  title: string
  first_line: string
  fits: boolean
  reason?: string
}

export interface StepsState {
  title?: string
  cards: Card[]
  selected?: number | null
  can_undo?: boolean
  can_redo?: boolean
  /** What an undo takes back and a redo makes again, in a few words. */
  undoes?: string
  redoes?: string
  variants?: string[]
  /** Small pictures of variants, as far as they are made. */
  variant_pictures?: Record<string, string>
  /** Variants that are just what the recipe is now. */
  used?: string[]
  /** What was done, the oldest first, and which line is now. */
  history?: string[]
  here?: number
  operations?: { title: string; operations: Offer[] }[]
  compare?: { kind: "none" | "step" | "variant"; step?: number | null; name?: string | null }
  opened?: boolean
  busy?: boolean
}
