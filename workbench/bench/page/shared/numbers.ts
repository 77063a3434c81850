// Numbers as people read them.

export const clamp = (value: number, low: number, high: number): number => Math.min(Math.max(value, low), high)

/** A number with as many digits as people want to read: 0.0123, 12.3, 1234. */
export function plainNumber(value: number | null | undefined, digits = 3): string {
  if (value === null || value === undefined || !Number.isFinite(value)) return "–"
  if (value === 0) return "0"
  const size = Math.abs(value)
  if (size >= 10 ** digits) return String(Math.round(value))
  if (size < 1e-4) return value.toExponential(1)
  return String(Number(value.toPrecision(digits)))
}

/** A file's size as people read it. */
export function bytesWords(bytes: number): string {
  if (bytes >= 1e9) return `${(bytes / 1e9).toFixed(1)} GB`
  return bytes >= 1e6 ? `${Math.round(bytes / 1e6)} MB` : `${Math.max(1, Math.round(bytes / 1e3))} kB`
}

/** A name as recipes write it, in words: "reduce_stars" is "reduce stars". */
export const plainWords = (id: string): string => id.replaceAll("_", " ")
