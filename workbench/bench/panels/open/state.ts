// What the kernel tells this panel, as plain data.

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

export interface OpenState {
  /** Whether a stack is open. */
  opened: boolean
  folder: Folder | null
  samples: { name: string; words: string }[]
  /** Stacks that were open last. */
  recent: { name: string; path: string; folder: string }[]
  /** What the stack was taken for. */
  tone: "linear" | "display" | null
  /** Names of the formats in which a stack is at home, and the ends of all names that can be opened. */
  kinds: string
  suffixes: string[]
}
