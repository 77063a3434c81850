// What the kernel tells this panel, as plain data.

/** The two sides of the divider. */
export type SideName = "now" | "before"

/** A place as the canvas has its transforms: a, b, c, d, e, f. */
export type Matrix = [number, number, number, number, number, number]

/** A pair of places: x, then y. */
export type Point = [number, number]

export interface Rect {
  x0: number
  y0: number
  x1: number
  y1: number
}

export interface Size {
  width: number
  height: number
}

/** What comes with the whole frame reduced to the screen. */
export interface FitMessage {
  kind: "fit"
  side: SideName
  generation: number
  draft: boolean
  /** Whether the frame is linear light. */
  linear: boolean
  again?: boolean
  /** Rows, columns and channels of the frame at full size. */
  frame: [number, number, number]
  /** Where the frame lies on the stack, null where that is not known. */
  place: Matrix | null
  /** The same of the reduced picture's own pixels. */
  image_place: Matrix | null
}

/** What comes with the pixels of a part at 1:1, or of blocks of `block` pixels. */
export interface LoupeMessage {
  kind: "loupe"
  side: SideName
  generation: number
  draft: boolean
  x0: number
  y0: number
  width: number
  height: number
  block?: number
  /** Rows and columns of the pixels that came. */
  size: [number, number]
}

export interface Comparison {
  kind: "none" | "step" | "variant"
  step?: number | null
  name?: string | null
  upto?: number | null
}

/** A region as recipes keep it; its coordinates are pixel centers. */
export type Region =
  | { shape: "polygon"; points: Point[] }
  | { shape: "ellipse"; x: number; y: number; along: number; across: number; angle_deg: number }
  | ({ shape: "rectangle" | "ellipse" } & Rect)

/** A mask as a picture over the frame shown; only `says` while it is not known yet. */
export interface Mask {
  says: string
  picture?: string
  /** Where the picture's pixels lie in the frame. */
  place?: Matrix
}

export interface Margins {
  top: number
  right: number
  bottom: number
  left: number
}

/** Ways to draw a setting: how much is cut off, regions, places, one rectangle, brush strokes, one line or circle. */
export type DrawnKind = "margins" | "regions" | "places" | "rectangle" | "strokes" | "segment" | "circle"

/** A setting of an operation that is drawn on the picture, as the operation declares it. */
export interface Tool {
  id: string
  kind: DrawnKind
  words: string
  help: string
  /** One drawn thing in words. */
  item: string
  /** Radius that a brush begins with, in pixels of the frame; null: by the frame's size. */
  radius?: number | null
}

/** A switch for what lies over the picture. */
export interface Switch {
  id: string
  words: string
  on: boolean
}

/** Facts of an operation that lie over the picture, with a sentence for the legend; those that are in a plot, too, can
 *  be picked. */
export type Shown = { id: string; says: string; plotted?: boolean } & (
  | { kind: "points"; points: [y: number, x: number, used: number][] }
  | Contours
  | { kind: "outline"; region: Region }
  | { kind: "none" }
)

/** Lines of equal value of a field over the frame, each with the tenth of the field's range at which it lies. */
export interface Contours {
  kind: "contours"
  lines: { tenth: number; points: [y: number, x: number][] }[]
}

/** A place that a person gave, a pixel center. */
export interface Place {
  x: number
  y: number
}

/** A circle around a pixel center. */
export interface Circle extends Place {
  outer: number
}

/** What is drawn on the picture with a tool, in the frame shown. */
/** What a brush went over; pixel centers. */
export interface Stroke {
  radius: number
  points: Point[]
}

export type Drawn = { tool: string; item: string; says: string } & (
  | { kind: "regions"; items: Region[] }
  | { kind: "places"; items: Place[] }
  | { kind: "margins"; items: Margins[] }
  | { kind: "rectangle"; items: [top: number, left: number, height: number, width: number][] }
  | { kind: "strokes"; items: Stroke[]; count: number }
  | { kind: "segment"; items: Rect[] }
  | { kind: "circle"; items: Circle[] }
)

export interface OverlayData {
  shown?: Shown[]
  drawn?: Drawn[]
  /** y, x, width at half maximum, elongation, angle in degrees, whether saturated. */
  stars?: number[][] | null
  mask?: Mask | null
  picked?: Picked | null
  /** Names of what the sky has there, what matters most first, and a sentence for the legend. */
  names?: { says: string; marks: SkyMark[] } | null
  grid?: SkyGrid | null
}

/** A name, its place, the axes (0 for a star) and the angle in degrees of the ellipse of what it names. */
export type SkyMark = [text: string, x: number, y: number, long: number, short: number, angle: number]

/** North, scale and lines of equal right ascension and declination. */
export interface SkyGrid {
  /** Directions in the middle of the frame, of length 1. */
  north: Point
  east: Point
  /** Degrees a pixel. */
  scale: number
  /** Each with finer lines than the one before. */
  levels: GridLevel[]
}

export interface GridLevel {
  finer: number
  lines: [text: string, points: Point[]][]
}

/** The point that was picked: of which overlay, and where it lies. */
export interface Picked extends Place {
  overlay: string
  number: number
}

export type LayerName = "both" | "starless" | "stars"

/** Stars that lie apart: whether a layer can be seen alone, which one is, and before which step; null: at the end. */
export interface Layers {
  offered: boolean
  shown: LayerName
  before: number | null
}

export interface ViewerState {
  tool?: string
  tools?: Tool[]
  overlays?: Switch[]
  overlay_data?: OverlayData
  compare?: Comparison
  steps?: string[]
  variants?: string[]
  divider?: number
  busy?: boolean
  message?: string
  frame_of?: number | null
  /** The stack that is open, and the one that is being opened. */
  stack?: string | null
  opening?: string | null
  /** The printer as whose soft proof finished pictures are shown. */
  proof?: string | null
  /** Whether linear light is brightened for the screen. */
  brightened?: boolean
  layers?: Layers
}

/** Values under the pointer. */
export interface Probe {
  x: number
  y: number
  linear?: number[] | null
  display?: number[] | null
  sky?: string | null
  star?: { fwhm_px: number; distance: number } | null
  /** What a catalogue knows there. */
  names?: string[]
}
