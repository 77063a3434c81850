// What the kernel tells this panel, as plain data.

export interface Advice {
  about: string
  severity: string
  says: string
  do: string
  step?: { do: string } | null
}

export interface CheckupState {
  advice: Advice[]
  /** What was measured, and its value. */
  measured: [string, string][]
  /** Places of the steps that are in the recipe, by operation. */
  placed: Record<string, number>
  /** Findings whose place can be seen in the picture, and the one that is marked. */
  seen: string[]
  pointed: string | null
  /** For whom some advice sends out at night. */
  caution: string
}
