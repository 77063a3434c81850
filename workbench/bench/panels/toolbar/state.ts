// What the kernel tells this panel, as plain data.

export interface Stack {
  name: string
  folder: string
  stem: string
  size?: string
  acquisition?: string
  remarks?: string[]
}

export interface Entry {
  name: string
  folder: boolean
  recipe: boolean
  size: number
}

export interface Folder {
  path: string
  parent: string | null
  entries: Entry[]
  left_out: number
}

/** A format of a picture: its options go with the request to save. */
export interface Format {
  suffix: string
  words: string
  options: Record<string, unknown>
}

export interface Advice {
  about: string
  severity: string
  says: string
  do: string
  step?: { do: string } | null
}

export interface ToolbarState {
  stack?: Stack | null
  advice?: Advice[]
  measured?: [string, string][]
  placed?: Record<string, number>
  folder?: Folder | null
  progress?: { share: number; doing: string } | null
  saved?: string[]
  message?: { kind: string; text: string } | null
  formats?: Format[]
  autosave?: string
}
