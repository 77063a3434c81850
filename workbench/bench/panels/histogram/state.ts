// What the kernel tells this panel, as plain data.

/** Counts of each channel over equal bins. */
export type Counts = number[][]

/** The setting behind the line over the counts, as an operation declares it. */
export interface LineSetting {
  index: number
  name: string
  /** What its value counts. */
  words: string
  value: number
  min: number
  max: number
  unit: string
}

export interface HistogramState {
  display?: Counts
  linear?: Counts | null
  linear_top?: number
  near?: Range | null
  line?: LineSetting | null
  log?: boolean
  view?: ViewName
  /** What the line is called on the counts, and aloud. */
  line_label?: string
  line_aria?: string
  line_at?: number | null
  line_zero?: number | null
  line_per_unit?: number | null
  curve?: Curve | null
}

/** Light and the share of the height that it gets. */
export type Curve = [number, number][]

export type ViewName = "linear" | "near" | "display"

/** Counts between two values. */
export interface Range {
  counts: Counts
  low: number
  top: number
}
