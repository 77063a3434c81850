// What can be laid over the picture. Every mark differs by shape, not by color alone, and has a dark edge, so that it
// is seen on sky and on stars alike. `pen` is { context, view, unit }: unit is one CSS pixel in device pixels.

const MARK = "#ffe3a3" // the same warm pencil as in the panels
const MARK_OUT = "#ffb3a0"
const HALO = "rgb(20 16 12 / 0.75)"

function stroke({ context, unit }, path, { color = MARK, width = 1.25, dash = [] } = {}) {
  context.setLineDash(dash.map((length) => length * unit))
  context.lineJoin = "round"
  context.strokeStyle = HALO
  context.lineWidth = (width + 2) * unit
  context.stroke(path)
  context.strokeStyle = color
  context.lineWidth = width * unit
  context.stroke(path)
  context.setLineDash([])
}

function write({ context, unit }, text, x, y) {
  context.font = `600 ${11 * unit}px system-ui, sans-serif`
  context.textAlign = "center"
  context.textBaseline = "middle"
  context.lineJoin = "round"
  context.strokeStyle = HALO
  context.lineWidth = 3.5 * unit
  context.strokeText(text, x, y)
  context.fillStyle = MARK
  context.fillText(text, x, y)
}

const isOn = ({ view }, x, y, reach) =>
  x > -reach && y > -reach && x < view.stage.width + reach && y < view.stage.height + reach

/** A hairline around the print: dark sky would run into the mat. */
function drawEdge({ context, view, unit }) {
  const [left, top] = view.toStage(0, 0).map(Math.round)
  const [right, bottom] = view.toStage(view.frame.width, view.frame.height).map(Math.round)
  context.strokeStyle = "rgb(247 242 232 / 0.4)"
  context.lineWidth = unit
  context.strokeRect(left - unit / 2, top - unit / 2, right - left + unit, bottom - top + unit)
}

/** Ellipses of twice the stars' width at half maximum, to be seen around them; a saturated one has a square. */
function drawStars(pen, stars) {
  const { view, unit } = pen
  const path = new Path2D()
  for (const [y, x, fwhm, elongation, angle, saturated] of stars) {
    const [sx, sy] = view.toStage(x + 0.5, y + 0.5)
    const mean = Math.max(fwhm * view.zoom, 4 * unit)
    if (!isOn(pen, sx, sy, mean * 2)) continue
    const stretch = Math.sqrt(Math.max(elongation, 1))
    const turned = (angle * Math.PI) / 180
    if (saturated) path.rect(sx - mean, sy - mean, 2 * mean, 2 * mean)
    path.moveTo(sx + mean * stretch * Math.cos(turned), sy + mean * stretch * Math.sin(turned))
    path.ellipse(sx, sy, mean * stretch, mean / stretch, turned, 0, 2 * Math.PI)
  }
  stroke(pen, path, { width: 1 })
  const saturated = stars.filter((star) => star[5]).length
  return `stars: ${stars.length} ellipses show width and direction; ${saturated} saturated have a square around them`
}

/** A ring where the sky was measured, a cross where it was left out. */
function drawSamples(pen, samples) {
  const { view, unit } = pen
  const used = new Path2D()
  const left = new Path2D()
  const r = 3 * unit
  for (const [y, x, accepted] of samples) {
    const [sx, sy] = view.toStage(x + 0.5, y + 0.5)
    if (!isOn(pen, sx, sy, r)) continue
    if (accepted) {
      used.moveTo(sx + r, sy)
      used.arc(sx, sy, r, 0, 2 * Math.PI)
    } else {
      left.moveTo(sx - r, sy - r)
      left.lineTo(sx + r, sy + r)
      left.moveTo(sx + r, sy - r)
      left.lineTo(sx - r, sy + r)
    }
  }
  stroke(pen, used)
  stroke(pen, left, { color: MARK_OUT, width: 1 })
  const count = samples.filter((sample) => sample[2]).length
  return `sky samples: ${count} used (rings), ${samples.length - count} left out (crosses)`
}

/** Lines of equal sky brightness, a tenth of the range apart. */
function drawContours(pen, { values, range, at: [xDown, yDown, xAlong, yAlong, x, y] }) {
  const { view } = pen
  const place = (row, col) =>
    view.toStage(x + row * xDown + col * xAlong + 0.5, y + row * yDown + col * yAlong + 0.5)
  for (let tenth = 1; tenth < 10; tenth++) {
    const lines = levelLines(values, tenth / 10)
    const path = new Path2D()
    for (const [from, to] of lines) {
      path.moveTo(...place(...from))
      path.lineTo(...place(...to))
    }
    stroke(pen, path, { width: tenth === 5 ? 2 : 1 })
    // Labels climb from line to line, so that they seldom meet.
    const labelled = lines[Math.floor((lines.length * tenth) / 10)]
    if (labelled) write(pen, `${tenth * 10} %`, ...place(...labelled[0]))
  }
  return `${range}; lines: every tenth of that range`
}

/** Pieces of the line where a grid crosses `level`: [[row, col], [row, col]] each (marching squares). */
function levelLines(values, level) {
  const lines = []
  const crossing = (r0, c0, r1, c1) => {
    const [a, b] = [values[r0][c0], values[r1][c1]]
    if (a < level === b < level) return null
    const share = (level - a) / (b - a)
    return [r0 + share * (r1 - r0), c0 + share * (c1 - c0)]
  }
  for (let r = 0; r + 1 < values.length; r++) {
    for (let c = 0; c + 1 < values[0].length; c++) {
      const met = [
        crossing(r, c, r, c + 1),
        crossing(r, c + 1, r + 1, c + 1),
        crossing(r + 1, c, r + 1, c + 1),
        crossing(r, c, r + 1, c),
      ].filter(Boolean)
      for (let i = 0; i + 1 < met.length; i += 2) lines.push([met[i], met[i + 1]])
    }
  }
  return lines
}

/** The outline of a region in any of its forms, on the stage. Its coordinates are pixel centres. */
function regionPath(view, region, grown = 0) {
  const path = new Path2D()
  const at = (x, y) => view.toStage(x + 0.5, y + 0.5)
  if (region.shape === "polygon") {
    region.points.forEach(([x, y], i) => (i ? path.lineTo(...at(x, y)) : path.moveTo(...at(x, y))))
    path.closePath()
  } else if (region.along !== undefined) {
    const [sx, sy] = at(region.x, region.y)
    const [a, b] = [region.along, region.across].map((half) => Math.max(half + grown, 0) * view.zoom)
    path.ellipse(sx, sy, a, b, (region.angle_deg * Math.PI) / 180, 0, 2 * Math.PI)
  } else {
    const [left, right] = [region.x0, region.x1].sort((a, b) => a - b)
    const [top, bottom] = [region.y0, region.y1].sort((a, b) => a - b)
    const [l, t] = at(left - grown, top - grown)
    const [r, b] = at(right + grown, bottom + grown)
    if (r <= l || b <= t) return path
    if (region.shape === "ellipse")
      path.ellipse((l + r) / 2, (t + b) / 2, (r - l) / 2, (b - t) / 2, 0, 0, 2 * Math.PI)
    else path.rect(l, t, r - l, b - t)
  }
  return path
}

/** Regions without sky samples: hatched, numbered. */
function drawExcludes(pen, regions) {
  regions.forEach((region, i) => {
    const path = regionPath(pen.view, region)
    hatch(pen, path)
    stroke(pen, path)
    write(pen, `no sky ${i + 1}`, ...pen.view.toStage(...regionMiddle(region)))
  })
  return regions.length ? `hatched: ${regions.length} without sky samples` : ""
}

/** The middle of a region, in frame coordinates. */
function regionMiddle(region) {
  if (region.along !== undefined) return [region.x + 0.5, region.y + 0.5]
  const points = region.points ?? [
    [region.x0, region.y0],
    [region.x1, region.y1],
  ]
  const mean = (axis) => points.reduce((sum, point) => sum + point[axis], 0) / points.length + 0.5
  return [mean(0), mean(1)]
}

function hatch({ context, view, unit }, path) {
  context.save()
  context.clip(path)
  const lines = new Path2D()
  const { width, height } = view.stage
  for (let at = -height; at < width; at += 9 * unit) {
    lines.moveTo(at, height)
    lines.lineTo(at + height, 0)
  }
  context.strokeStyle = "rgb(255 227 163 / 0.4)"
  context.lineWidth = unit
  context.stroke(lines)
  context.restore()
}

/** The part of the frame that a step changes: the rest is dimmed, the soft edge ends at the dashed lines. */
function drawMask(pen, where) {
  const { context, view } = pen
  const outline = regionPath(view, where)
  const dimmed = new Path2D()
  if (!where.outside) dimmed.rect(0, 0, view.stage.width, view.stage.height)
  dimmed.addPath(outline)
  context.fillStyle = "rgb(16 14 12 / 0.5)"
  context.fill(dimmed, "evenodd")
  stroke(pen, outline)
  if (where.feather > 0) {
    for (const side of [-0.5, 0.5])
      stroke(pen, regionPath(view, where, side * where.feather), { width: 1, dash: [5, 4] })
  }
  return `mask: the step changes ${where.outside ? "everything outside" : "only the inside of"} the outline`
}

/** What a crop cut away, around the frame that is left. */
function drawCropped(pen, { top, right, bottom, left, outline }) {
  stroke(pen, regionPath(pen.view, outline), { dash: [7, 5] })
  return `cut away: ${top} rows at the top, ${bottom} at the bottom, ${left} columns at the left, ${right} at the right`
}

/** Pixels without information: all channels white or all black. White ones are filled, black ones a checkerboard. */
function clippedOf(shown) {
  if (shown.clipped) return shown.clipped
  const { width, height } = shown.image
  const canvas = new OffscreenCanvas(width, height)
  const context = canvas.getContext("2d", { willReadFrequently: true })
  context.drawImage(shown.image, 0, 0)
  const pixels = context.getImageData(0, 0, width, height)
  const words = new Uint32Array(pixels.data.buffer) // opacity, blue, green, red from the top
  let white = 0
  let black = 0
  for (let i = 0; i < words.length; i++) {
    const [r, g, b] = [words[i] & 255, (words[i] >> 8) & 255, (words[i] >> 16) & 255]
    words[i] = 0
    // One step of tolerance: the reduced frame comes as JPEG.
    if (r >= 254 && g >= 254 && b >= 254) {
      white++
      words[i] = 0xff285aff
    } else if (r <= 1 && g <= 1 && b <= 1) {
      black++
      if (((i % width) + Math.floor(i / width)) % 2 === 0) words[i] = 0xffff9646
    }
  }
  context.putImageData(pixels, 0, 0)
  shown.clipped = { canvas, white: white / words.length, black: black / words.length }
  return shown.clipped
}

function drawClipped(pen, frames, sides) {
  const { context, view } = pen
  if (!frames.now.fit) return ""
  onEachSide(pen, sides, (side) => {
    const { shown, way } = layersOf(view, frames, side).at(-1)
    lay(context, clippedOf(shown).canvas, way, true)
  })
  const percent = (value) => `${plainNumber(100 * value, 2)} %`
  const shares = sides.map(({ side }) => {
    const { white, black } = clippedOf(frames[side].fit)
    return `${side === "before" ? "before " : ""}${percent(white)} white, ${percent(black)} black`
  })
  return `clipped: ${shares.reverse().join("; ")} (white orange and solid, black blue and checkered)`
}

/** Draw all that is switched on, and return the sentences of the legend. */
function drawOverlays(pen, frames, state, sides) {
  const { overlays = {}, overlay_data: data = {}, tool } = state
  const says = []
  if (overlays.clipped) says.push(drawClipped(pen, frames, sides))
  if (overlays.mask)
    says.push(data.mask ? drawMask(pen, data.mask) : "mask: the chosen step changes the whole frame")
  if (overlays.gradient)
    says.push(data.gradient ? drawContours(pen, data.gradient) : "sky model: nothing is measured yet")
  if (data.excludes && (overlays.samples || tool === "exclude" || tool === "sample")) {
    says.push(drawExcludes(pen, data.excludes))
  }
  if (overlays.samples || tool === "sample") {
    says.push(data.samples ? drawSamples(pen, data.samples) : "sky samples: nothing is measured yet")
  }
  if (overlays.stars) says.push(data.stars ? drawStars(pen, data.stars) : "stars: nothing is measured yet")
  if (overlays.crop && tool !== "crop")
    says.push(data.crop ? drawCropped(pen, data.crop) : "crop: no step cuts the frame")
  return says.filter(Boolean)
}
