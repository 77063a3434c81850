// What the kernel tells this panel, as plain data.

/** What every setting has, as its operation declares it. */
interface Common {
  name: string
  label: string
  help: string
  unit: string
  expert: boolean
  /** Whether it may be empty; `empty` says in words what that means. */
  optional: boolean
  empty?: string | null
  default: unknown
  /** The tool that draws it on the picture. */
  tool?: string | null
  /** What a value needs before it can be taken: something drawn, and other settings along with it. */
  first?: Record<string, { tool?: string; with?: Record<string, unknown> }> | null
}

export interface NumberField extends Common {
  kind: "number" | "integer"
  value: number | null
  /** Where it starts when it was empty and is taken in hand. */
  start: number
  /** What was measured, where that is what empty means. */
  measured?: number | null
  /** What is allowed; null: open. */
  min: number | null
  max: number | null
  /** Ends of the slider; null: there is none. */
  low: number | null
  high: number | null
  step: number
  scale: "linear" | "log" | "root"
}

/** Values and their words. */
export interface ChoiceField extends Common {
  kind: "choice"
  value: unknown
  choices: [unknown, string][]
}

export interface SwitchField extends Common {
  kind: "switch"
  value: boolean
}

/** Text, or any other shape as JSON. */
export interface TextField extends Common {
  kind: "text" | "data"
  value: unknown
}

/** A fixed count of numbers, each with its label. */
export interface NumbersField extends Common {
  kind: "numbers"
  value: number[] | null
  start: number[]
  parts: string[]
}

/** Any count of things, each in words. */
export interface ListField extends Common {
  kind: "list"
  value: unknown[]
  items: string[]
}

export type Field = NumberField | ChoiceField | SwitchField | TextField | NumbersField | ListField

/** One of the masks that limit a step, with its controls. */
export interface MaskState {
  kind: string
  title: string
  fields: Field[]
  /** The tool that draws it on the picture. */
  tool: string | null
}

/** What limits a step. */
export interface Where {
  possible: boolean
  words: string
  /** Kinds of masks that can be added, with their names. */
  kinds: [string, string][]
  /** Whether any of the masks is enough, or all must hold; null where there are fewer than two. */
  how: "union" | "intersection" | null
  masks: MaskState[]
}

/** An axis of a plot: its ends, and its labels with their places. */
export interface Axis {
  words: string
  low: number
  high: number
  ticks: [number, string][]
}

/** Measurements against what was expected of them, with the line through them. */
export interface Plot {
  name: string
  title: string
  says: string
  across: Axis
  up: Axis
  points: [x: number, y: number, used: number][]
  /** Its two ends. */
  line: [[x: number, y: number], [x: number, y: number]]
  /** Standard deviation about the line. */
  scatter: number
  /** An x of importance, and what it is. */
  mark: number | null
  marked: string
  /** The overlay of the same points on the picture; empty: they have no places there. */
  overlay: string
}

/** The point that was picked, of an overlay on the picture, and what it says. */
export interface Picked {
  overlay: string
  number: number
  words: string
}

/** The chosen step; only `index` is there, and null, where none is chosen. */
export interface SettingsState {
  index: number | null
  key: number
  id: string
  title: string
  summary: string
  why: string[]
  details: string[]
  fields: Field[]
  tool?: string | null
  where?: Where | null
  /** The layer that the step changes, where stars lie apart and it has a choice. */
  layer?: ChoiceField | null
  /** How much of the step's change is made, where it can be mixed with what was before. */
  opacity?: NumberField | null
  facts: [string, string][]
  plots: Plot[]
  picked?: Picked | null
  found: string
  frozen: boolean
  drafted: boolean
  measures: boolean
  on: boolean
}
