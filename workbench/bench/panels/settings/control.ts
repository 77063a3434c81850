// What a control of a setting is made of, whatever kind of value it is for.

/** Hands a value on: `live` while it is still in the hand. The promise ends when it has been taken or refused. */
export type Give = (live: boolean, value: unknown) => Promise<unknown>

/** Ids of the control and of the words that explain it. */
export interface Ids {
  id: string
  help: string
}

export interface Control<Setting> {
  /** Below the label, over the whole width. */
  main?: HTMLElement | null
  /** Beside the label. */
  side?: HTMLElement
  focus: () => void
  /** Show the value of the same setting as it is now; a control in the hand is never overwritten. */
  update: (field: Setting) => void
}
