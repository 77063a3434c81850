// Asking for the pixels of what is seen at 1:1 and above: exact ones of a settled picture, drafted ones of a draft.

class CloseUps {
  #bench
  #ask

  /** `bench` gives model, view, frames, glide, comparing, status and changed(). */
  constructor(bench) {
    this.#bench = bench
    const newest = () => newestOnly((wanted) => this.#pixels(wanted))
    this.#ask = { now: newest(), before: newest() }
    this.soon = whenQuiet(() => this.atOnce(), 90)
  }

  forget() {
    for (const later of [this.soon, ...Object.values(this.#ask)]) later.forget()
  }

  atOnce() {
    const { view, frames, glide, comparing } = this.#bench
    if (view.zoom < 0.999 || glide.moving) return
    for (const side of comparing && lineUp(frames) ? ["now", "before"] : ["now"]) {
      const { fit } = frames[side]
      if (!fit) continue
      const draft = Boolean(fit.message.draft)
      const known = draft ? frames.loupe(side) : frames.exact(side)
      const seen = seenOf(view, frames, side)
      if (seen && !covers(known?.message, seen)) this.#ask[side]({ ...seen, before: side === "before", draft })
    }
  }

  async #pixels(wanted) {
    const { model, frames, status } = this.#bench
    try {
      const sent = await ask(model, "loupe", wanted, { patience: 60 })
      if (sent) return
      frames.noLoupe(wanted.before ? "before" : "now")
      this.#bench.changed()
    } catch (error) {
      status.fail(error)
    }
  }

  /** Whether all that is seen of a side is shown by exact pixels. */
  areExact(side) {
    const { view, frames } = this.#bench
    const loupe = frames.exact(side)
    return Boolean(view.zoom >= 0.999 && loupe && covers(loupe.message, seenOf(view, frames, side)))
  }
}

/** Whether the pixels of a close-up are fine enough and cover what is seen. */
function covers(loupe, seen) {
  return Boolean(
    loupe &&
    seen &&
    (loupe.block ?? 1) <= (seen.block ?? 1) &&
    loupe.x0 <= seen.x0 &&
    loupe.y0 <= seen.y0 &&
    loupe.x0 + loupe.width >= seen.x0 + seen.width &&
    loupe.y0 + loupe.height >= seen.y0 + seen.height,
  )
}
