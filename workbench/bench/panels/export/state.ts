// What the kernel tells this panel, as plain data.

/** A format of a picture: its options go with the request to save. */
export interface Format {
  suffix: string
  words: string
  options: Record<string, unknown>
}

export interface ExportState {
  /** The path of files about the stack, without the ends of their names; null: no stack is open. */
  stem: string | null
  formats: Format[]
  /** The last files that were written. */
  saved: string[]
  /** Whether the recipe takes the stars off, so that there are layers to save. */
  layers: boolean
}
