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

/** A setting of points that are drawn over the counts of the picture before the step, as an operation declares it. */
export interface ToneSetting {
  index: number
  name: string
  help: string
  /** What one point is called. */
  item: string
  points: Curve
  /** How many points there can be. */
  most: number
  curve: Curve
  /** Of the picture before the step; null while that is not at hand. */
  counts: Counts | null
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
  tone?: ToneSetting | null
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
