// What the kernel tells this panel, as plain data.

/** A whole number that a format leaves to the person. */
export interface FormatNumber {
  name: string
  default: number
  least: number
  most: number
}

/** A way to save a picture: its options go with the request. */
export interface Format {
  words: string
  /** Ends of its files' names, the usual one first. */
  suffixes: string[]
  options: Record<string, unknown>
  numbers: FormatNumber[]
}

/** A setting of an output, and how it is entered. */
export interface OutputField {
  name: string
  label: string
  kind: "choice" | "switch" | "text" | "number" | "integer"
  value: string | number | boolean | null
  unit: string
  help: string
  optional: boolean
  choices?: [value: unknown, label: string][]
}

export interface OutputSettings {
  name: string
  words: string
  fields: OutputField[]
}

/** The soft proof that is shown, and the share of the picture that is out of gamut, once it is known. */
export interface ProofShown {
  printer: string
  lost: number | null
}

export interface ExportState {
  /** The path of files about the stack, without the ends of their names; null: no stack is open. */
  stem: string | null
  formats: Format[]
  /** The last files that were written. */
  saved: string[]
  /** Files for screen and paper that the recipe ends in, and the names of those to begin with. */
  outputs: OutputSettings[]
  presets: string[]
  /** null: the picture is shown as it is. */
  proof: ProofShown | null
  /** Whether the recipe takes the stars off, so that there are layers to save. */
  layers: boolean
  /** Whether it is known where the stack lies on the sky, so that there are names to write on it. */
  located: boolean
  /** What the name of a labelled copy ends in. */
  labelled: string
}
