// What the kernel tells this panel, as plain data.

export interface Stack {
  name: string
  size?: string
  acquisition?: string
  remarks?: string[]
}

/** The button that pulls a panel out. */
export interface DrawerButton {
  name: string
  words: string
  title: string
  label: string
  stands: "start" | "work" | "help"
  needs_stack: boolean
  measures: boolean
}

export interface ToolbarState {
  stack?: Stack | null
  drawers?: DrawerButton[]
  /** Names of the formats in which a stack is at home. */
  kinds?: string
  progress?: { share: number; doing: string } | null
  message?: { kind: string; text: string } | null
  autosave?: string
}
