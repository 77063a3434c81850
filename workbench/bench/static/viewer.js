// shared/ask.ts
var askers = /* @__PURE__ */ new WeakMap();
function askerOf(model) {
  const known = askers.get(model);
  if (known) return known;
  const asker = { next: Math.floor(Math.random() * 2 ** 40), waiting: /* @__PURE__ */ new Map(), refusal: null };
  askers.set(model, asker);
  model.on("msg:custom", (message) => {
    const promise = asker.waiting.get(message?.reply);
    if (!promise || !message) return;
    asker.waiting.delete(message.reply);
    clearTimeout(promise.timer);
    if (typeof message.error === "string" && message.error) promise.reject(new Error(message.error));
    else promise.resolve(message.value);
  });
  return asker;
}
function ask(model, name, args = {}, { buffers = [], patience = 0, always = false } = {}) {
  const asker = askerOf(model);
  if (asker.refusal && !always) return Promise.reject(new Error(`not done: ${asker.refusal}`));
  const id = asker.next++;
  return new Promise((resolve, reject) => {
    const late = () => {
      asker.waiting.delete(id);
      reject(new Error("the kernel does not answer: it may be busy, or it was stopped"));
    };
    const timer = patience > 0 ? setTimeout(late, patience * 1e3) : void 0;
    asker.waiting.set(id, { resolve, reject, timer });
    try {
      model.send({ id, do: name, with: args }, void 0, buffers);
    } catch (error) {
      asker.waiting.delete(id);
      clearTimeout(timer);
      reject(error instanceof Error ? error : new Error(String(error)));
    }
  });
}
function refuse(model, reason) {
  const asker = askerOf(model);
  asker.refusal = reason;
  if (reason === null) return;
  for (const { reject, timer } of asker.waiting.values()) {
    clearTimeout(timer);
    reject(new Error(`not done: ${reason}`));
  }
  asker.waiting.clear();
}
function newestOnly(send) {
  let waiting = null;
  let busy = false;
  let frame = 0;
  const go = async () => {
    frame = 0;
    if (busy || !waiting) return;
    const { value } = waiting;
    waiting = null;
    busy = true;
    try {
      await send(value);
    } catch {
    }
    busy = false;
    if (waiting) next();
  };
  const next = () => frame = requestAnimationFrame(() => void go());
  const give = (value) => {
    waiting = { value };
    if (!frame && !busy) next();
  };
  give.forget = () => {
    waiting = null;
    cancelAnimationFrame(frame);
    frame = 0;
  };
  return give;
}
function whenQuiet(work, ms) {
  let timer;
  const later = () => {
    clearTimeout(timer);
    timer = setTimeout(work, ms);
  };
  later.forget = () => clearTimeout(timer);
  return later;
}

// shared/bench.ts
var KERNEL = "wt-kernel";
var benchOf = (element) => element.closest(".wt-bench");

// shared/dom.ts
function make(tag, props = {}, ...children) {
  return fill(document.createElement(tag), props, children);
}
var SVG = "http://www.w3.org/2000/svg";
function makeSvg(tag, props = {}, ...children) {
  return fill(document.createElementNS(SVG, tag), props, children);
}
function fill(element, props, children) {
  const { on = {}, dataset = {}, style = {}, ...attributes } = props;
  for (const [name, value] of Object.entries(attributes)) attribute(element, name, value);
  for (const [event, react] of Object.entries(on)) element.addEventListener(event, react);
  for (const [name, value] of Object.entries(style)) element.style.setProperty(name, value);
  tell(element, dataset);
  element.append(...children.flat().filter((child) => isShown(child)));
  return element;
}
var isShown = (child) => child !== null && child !== void 0 && child !== false;
function tell(element, facts) {
  for (const [name, value] of Object.entries(facts)) element.dataset[name] = String(value);
}
function attribute(element, name, value) {
  if (value === null || value === void 0 || value === false) element.removeAttribute(name);
  else if (value === true) element.setAttribute(name, "");
  else if (element.getAttribute(name) !== String(value)) element.setAttribute(name, String(value));
}
function button(words, press, { pressed = null, ...props } = {}) {
  const state = pressed === null ? null : String(pressed);
  const whole = { type: "button", class: "wt-button", "aria-pressed": state, on: { click: press }, ...props };
  return make("button", whole, words);
}
var made = 0;
function freshId(word) {
  made += 1;
  return `wt-${word}-${made}-${Math.random().toString(36).slice(2, 7)}`;
}
var datasetOf = (event) => event.target instanceof HTMLElement || event.target instanceof SVGElement ? event.target.dataset : {};
var closest = (event, selector) => event.target instanceof Element ? event.target.closest(selector) : null;
var wantsCalm = () => matchMedia("(prefers-reduced-motion: reduce)").matches;
var windowOf = (element) => element.ownerDocument.defaultView ?? window;

// shared/panel.ts
function panel(name, label, build) {
  return {
    render({ model, el }) {
      const end = new AbortController();
      const root = make("section", { class: `wt wt-${name}`, "aria-label": label });
      keepPlainKeys(root, end.signal);
      heedKernel(model, root, end.signal);
      el.append(root);
      build(model, { root, signal: end.signal });
      return () => {
        end.abort();
        root.remove();
      };
    }
  };
}
function keepPlainKeys(root, signal) {
  const ours = (event) => {
    attribute(root, "data-lm-suppress-shortcuts", event.ctrlKey || event.metaKey ? null : "true");
  };
  window.addEventListener("keydown", ours, { capture: true, signal });
}
function heedKernel(model, root, signal) {
  const heard = (event) => {
    const bench = benchOf(root);
    if (!(event instanceof CustomEvent) || !(event.target instanceof Node) || !bench?.contains(event.target)) return;
    const condition = event.detail;
    attribute(bench, "data-kernel", condition);
    refuse(model, condition === "lost" ? "the kernel of this bench was stopped" : null);
  };
  document.addEventListener(KERNEL, heard, { signal });
}

// shared/model.ts
function watchState(model, react, signal) {
  model.on("change:state", react);
  signal.addEventListener("abort", () => model.off("change:state", react), { once: true });
}
function watchMessages(model, react, signal) {
  model.on("msg:custom", react);
  signal.addEventListener("abort", () => model.off("msg:custom", react), { once: true });
}

// shared/numbers.ts
var clamp = (value, low, high) => Math.min(Math.max(value, low), high);
function plainNumber(value, digits = 3) {
  if (value === null || value === void 0 || !Number.isFinite(value)) return "–";
  if (value === 0) return "0";
  const size = Math.abs(value);
  if (size >= 10 ** digits) return String(Math.round(value));
  if (size < 1e-4) return value.toExponential(1);
  return String(Number(value.toPrecision(digits)));
}
var plainWords = (id) => id.replaceAll("_", " ");

// shared/telling.ts
var SOON = 250;
function statusLine(changed = () => {
}) {
  const news = make("span", { role: "status" });
  const alarm = make("span", { role: "alert", class: "wt-alarm" });
  const element = make("p", { class: "wt-status" }, news, alarm);
  const show = (target, other, text) => {
    other.textContent = "";
    if (target.textContent !== text) target.textContent = text;
    changed(text !== "");
  };
  return {
    element,
    say: (text) => show(news, alarm, text),
    fail: (error) => show(alarm, news, error instanceof Error ? error.message : String(error)),
    clear: () => show(news, alarm, "")
  };
}
function actor(model, status) {
  return async (name, args = {}, options = {}) => {
    const waits = setTimeout(() => {
      if (benchOf(status.element)?.dataset.kernel === "busy") status.say("this is done as soon as the kernel is free");
    }, SOON);
    try {
      const value = await ask(model, name, args, options);
      status.clear();
      return value;
    } catch (error) {
      status.fail(error);
      return void 0;
    } finally {
      clearTimeout(waits);
    }
  };
}

// ../panels/viewer/sides.ts
var LARGEST_BLOCK = 4;
var lineUp = ({ now, before }) => Boolean(now.fit?.message.place && before.fit?.message.place);
var matrixOf = (fit, key) => new DOMMatrix(fit?.message[key] ?? void 0);
function fitOf(frames, side) {
  const { fit } = frames[side];
  if (!fit) throw new Error(`there is no frame of side ${side}`);
  return fit;
}
function wayToShown(frames, side) {
  if (side === "now") return new DOMMatrix();
  return matrixOf(frames.now.fit, "place").invertSelf().multiplySelf(matrixOf(frames[side].fit, "place"));
}
function through(way, x, y) {
  const point = way.transformPoint({ x, y });
  return [tidy(point.x), tidy(point.y)];
}
var tidy = (value) => Math.round(value * 4096) / 4096;
function boxThrough(way, { x0, y0, x1, y1 }) {
  const corners = [through(way, x0, y0), through(way, x1, y0), through(way, x1, y1), through(way, x0, y1)];
  const [x, y] = [corners.map(([cx]) => cx), corners.map(([, cy]) => cy)];
  return { x0: Math.min(...x), y0: Math.min(...y), x1: Math.max(...x), y1: Math.max(...y) };
}
function seenOf(view, frames, side) {
  const [height, width] = fitOf(frames, side).message.frame;
  const way = wayToShown(frames, side);
  const [x0, y0] = view.toFrame(0, 0).map(Math.floor);
  const [x1, y1] = view.toFrame(view.stage.width, view.stage.height).map(Math.ceil);
  const box = boxThrough(way.inverse(), { x0, y0, x1, y1 });
  const block = Math.max(1, Math.floor(1 / (Math.hypot(way.a, way.b) * view.zoom) + 0.01));
  if (block > LARGEST_BLOCK) return null;
  const [left, across] = wholeBlocks(box.x0, box.x1, width, block);
  const [top, down] = wholeBlocks(box.y0, box.y1, height, block);
  return across > 0 && down > 0 ? { x0: left, y0: top, width: across, height: down, block } : null;
}
function wholeBlocks(from, to, length, block) {
  let start = Math.floor(from);
  if (start < 0) start += Math.ceil(-start / block) * block;
  const count = Math.min(Math.ceil((to - start) / block), Math.floor((length - start) / block));
  return [start, count * block];
}
function layersOf(view, frames, side) {
  const { fit } = frames[side];
  if (!fit) return [];
  const whole = side === "now" ? fitWay(view, fit) : wayBeside(view, fitOf(frames, "now"), fit);
  const layers = [{ shown: fit, way: whole, exact: false }];
  const loupe = view.zoom < 0.999 ? null : frames.closeUp(side, seenOf(view, frames, side));
  if (loupe) {
    const { x0, y0, width } = loupe.message;
    const [left, top] = view.toStage(0, 0).map(Math.round);
    const way = new DOMMatrix([view.zoom, 0, 0, view.zoom, left, top]);
    way.multiplySelf(wayToShown(frames, side)).translateSelf(x0, y0).scaleSelf(width / loupe.image.width);
    layers.push({ shown: loupe, way, exact: true });
  }
  return layers;
}
function fitWay(view, { image, message }) {
  const [height, width] = message.frame;
  const [left, top] = view.toStage(0, 0).map(Math.round);
  const [right, bottom] = view.toStage(width, height).map(Math.round);
  return new DOMMatrix([(right - left) / image.width, 0, 0, (bottom - top) / image.height, left, top]);
}
function wayBeside(view, now, fit) {
  const [here, there] = [matrixOf(now, "image_place"), matrixOf(fit, "image_place")];
  return fitWay(view, now).multiplySelf(here.invertSelf()).multiplySelf(there);
}
function lay(context, image, way, exact) {
  const { width, height } = image;
  if (Math.min(Math.abs(way.a), Math.abs(way.b)) > 1e-9 * Math.hypot(way.a, way.b)) return layAskew(context, image, way);
  const turned = Math.abs(way.b) > Math.abs(way.a);
  const [across, down] = turned ? [height, width] : [width, height];
  let [[left, top], [right, bottom]] = [through(way, 0, 0), through(way, width, height)];
  const whole = [left, top, right, bottom].map(Math.round);
  if ((whole[2] - whole[0]) % across === 0 && (whole[3] - whole[1]) % down === 0) [left, top, right, bottom] = whole;
  const [dx, dy] = [(right - left) / across, (bottom - top) / down];
  const sizes = [Math.abs(dx), Math.abs(dy)];
  context.save();
  context.imageSmoothingEnabled = exact ? Math.min(...sizes) < 1 : sizes.some((size) => size !== 1);
  context.imageSmoothingQuality = "high";
  if (turned) context.transform(0, dy, dx, 0, left, top);
  else context.transform(dx, 0, 0, dy, left, top);
  context.drawImage(image, 0, 0);
  context.restore();
}
function layAskew(context, image, way) {
  context.save();
  context.imageSmoothingEnabled = true;
  context.imageSmoothingQuality = "high";
  context.transform(way.a, way.b, way.c, way.d, way.e, way.f);
  context.drawImage(image, 0, 0);
  context.restore();
}
function drawSide(context, view, frames, side) {
  for (const { shown: shown2, way, exact } of layersOf(view, frames, side)) lay(context, shown2.image, way, exact);
}
function onEachSide({ context, view }, sides, draw) {
  for (const { side, from, to } of sides) {
    context.save();
    context.beginPath();
    context.rect(from, 0, to - from, view.stage.height);
    context.clip();
    draw(side);
    context.restore();
  }
}

// ../panels/viewer/closeups.ts
var CloseUps = class {
  /** Ask when nothing has moved for a moment. */
  soon;
  #bench;
  #ask;
  constructor(bench) {
    this.#bench = bench;
    const newest = () => newestOnly((wanted) => this.#pixels(wanted));
    this.#ask = { now: newest(), before: newest() };
    this.soon = whenQuiet(() => this.atOnce(), 90);
  }
  forget() {
    for (const later of [this.soon, this.#ask.now, this.#ask.before]) later.forget();
  }
  atOnce() {
    const { view, frames, glide, comparing } = this.#bench;
    if (view.zoom < 0.999 || glide.moving) return;
    const sides = comparing && lineUp(frames) ? ["now", "before"] : ["now"];
    for (const side of sides) {
      const { fit } = frames[side];
      if (!fit) continue;
      const { draft } = fit.message;
      const known = draft ? frames.loupe(side) : frames.exact(side);
      const seen = seenOf(view, frames, side);
      if (seen && !covers(known?.message, seen)) this.#ask[side]({ ...seen, before: side === "before", draft });
    }
  }
  async #pixels(wanted) {
    const { model, frames, status } = this.#bench;
    try {
      const sent = await ask(model, "loupe", { ...wanted }, { patience: 60 });
      if (sent) return;
      frames.noLoupe(wanted.before ? "before" : "now");
      this.#bench.changed();
    } catch (error) {
      status.fail(error);
    }
  }
  /** Whether all that is seen of a side is shown by exact pixels. */
  areExact(side) {
    const { view, frames } = this.#bench;
    const loupe = frames.exact(side);
    return Boolean(view.zoom >= 0.999 && loupe && covers(loupe.message, seenOf(view, frames, side)));
  }
};
function covers(loupe, seen) {
  return Boolean(
    loupe && seen && (loupe.block ?? 1) <= (seen.block ?? 1) && loupe.x0 <= seen.x0 && loupe.y0 <= seen.y0 && loupe.x0 + loupe.width >= seen.x0 + seen.width && loupe.y0 + loupe.height >= seen.y0 + seen.height
  );
}

// shared/keys.ts
function keyName(event) {
  const held = [];
  if (event.ctrlKey || event.metaKey) held.push("Ctrl");
  if (event.altKey) held.push("Alt");
  if (event.shiftKey && event.key.length > 1) held.push("Shift");
  return [...held, event.key].join("+");
}
function isTyping(target) {
  const fields = "input:not([type=range],[type=checkbox],[type=radio]), textarea, select, [contenteditable]";
  return target instanceof Element && Boolean(target.closest(fields));
}
function onKeys(element, reactions, signal) {
  const press = (event) => {
    const react = reactions[keyName(event)];
    if (!react || isTyping(event.target) || react(event) === false) return;
    event.preventDefault();
    event.stopPropagation();
  };
  element.addEventListener("keydown", press, { signal });
}
function oneTabStop(group, signal) {
  const every = () => [...group.querySelectorAll("button")];
  const buttons = () => every().filter((each) => !each.disabled && each.offsetParent !== null);
  const stop = (chosen) => {
    for (const each of every()) each.tabIndex = each === chosen ? 0 : -1;
  };
  const step = (by) => {
    const all2 = buttons();
    const now = all2.findIndex((each) => each === document.activeElement);
    const next = all2[(now + by + all2.length) % all2.length];
    stop(next);
    next?.focus();
  };
  if (!group.dataset.oneTabStop) {
    group.dataset.oneTabStop = "true";
    const back = () => step(-1);
    const on = () => step(1);
    onKeys(group, { ArrowLeft: back, ArrowUp: back, ArrowRight: on, ArrowDown: on }, signal);
    const focused = (event) => stop(event.target instanceof Element ? event.target.closest("button") : null);
    group.addEventListener("focusin", focused, { signal });
  }
  const all = every();
  stop(
    all.find((each) => each.tabIndex === 0 && !each.disabled && each === document.activeElement) ?? all.find((each) => each.ariaPressed === "true") ?? all[0]
  );
}
function slidTo(event, value, { min, max, step, big = 10 * step }) {
  const by = event.shiftKey ? 10 * step : step;
  const moves = {
    ArrowRight: by,
    ArrowUp: by,
    ArrowLeft: -by,
    ArrowDown: -by,
    PageUp: big,
    PageDown: -big
  };
  if (event.key === "Home") return min;
  if (event.key === "End") return max;
  const move = moves[event.key];
  return move === void 0 || event.ctrlKey || event.metaKey || event.altKey ? null : clamp(value + move, min, max);
}

// ../panels/viewer/compare.ts
function compareWords(state) {
  const { kind = "none", step, name, upto } = state.compare ?? {};
  const left = kind === "variant" ? `variant ${name}` : kind === "step" ? stepWords(state, step ?? 0) : "the stack";
  return [left, isPlace(upto) ? stepWords(state, upto) : "the recipe"];
}
var isPlace = (value) => Number.isInteger(value);
function stepWords(state, count) {
  const steps = state.steps ?? [];
  return count > 0 && count <= steps.length ? `after ${count}. ${plainWords(steps[count - 1])}` : "the stack";
}
function makeDivider(bench) {
  const left = make("span", { class: "wt-side wt-left" });
  const right = make("span", { class: "wt-side wt-right" });
  const element = make(
    "div",
    {
      class: "wt-divider",
      role: "slider",
      tabindex: "0",
      hidden: true,
      "aria-orientation": "horizontal",
      "aria-label": "Divider between before and now",
      "aria-valuemin": "0",
      "aria-valuemax": "100"
    },
    [left, right]
  );
  const signal = { signal: bench.signal };
  const pull = (event) => {
    if (!element.hasPointerCapture(event.pointerId)) return;
    const box = bench.parts.stage.getBoundingClientRect();
    bench.moveDivider((event.clientX - box.left) / box.width);
  };
  element.addEventListener(
    "pointerdown",
    (event) => {
      element.setPointerCapture(event.pointerId);
      element.focus({ preventScroll: true });
      event.preventDefault();
    },
    signal
  );
  element.addEventListener("pointermove", pull, signal);
  element.addEventListener(
    "keydown",
    (event) => {
      const share = slidTo(event, bench.divider, { min: 0, max: 1, step: 0.01 });
      if (share === null) return;
      event.preventDefault();
      event.stopPropagation();
      bench.moveDivider(share);
    },
    signal
  );
  const update = (share, leftWords, rightWords) => {
    element.style.left = `${100 * share}%`;
    attribute(element, "aria-valuenow", Math.round(100 * share));
    attribute(element, "aria-valuetext", `${Math.round(100 * share)} % ${leftWords}, the rest ${rightWords}`);
    left.textContent = leftWords;
    right.textContent = rightWords;
  };
  return { element, update };
}
function makeCompare(bench) {
  const id = freshId("compare");
  const before = make("select", { id, class: "wt-select" });
  const now = make("select", { class: "wt-select", "aria-label": "and show on the right of the divider" });
  const chosen = () => {
    const [kind, value] = before.value.split(/:(.*)/s);
    const args = {};
    if (kind === "step") args.step = Number(value);
    if (kind === "variant") args.variant = value;
    if (kind !== "none" && !now.hidden && now.value !== "") args.upto = Number(now.value);
    void bench.act("compare", args);
  };
  before.addEventListener("change", chosen);
  now.addEventListener("change", chosen);
  const hold = button("Hold for before", () => {
  }, { title: "press and hold, or hold the key B on the picture" });
  holdable(hold, (down) => bench.hold(down), bench.signal);
  const element = make(
    "div",
    { class: "wt-group" },
    make("label", { class: "wt-label", for: id }, "Compare with"),
    before,
    now,
    hold
  );
  let shown2 = "";
  const update = (state, peeking) => {
    const { steps = [], variants = [] } = state;
    const { kind = "none", step, name, upto } = state.compare ?? {};
    const words = JSON.stringify([steps, variants]);
    if (words !== shown2) {
      shown2 = words;
      const after = steps.map((_, i) => ({ value: i + 1, words: stepWords(state, i + 1) }));
      const earlier = [{ value: 0, words: "the stack" }, ...after.slice(0, -1)];
      before.replaceChildren(
        make("option", { value: "none" }, "nothing"),
        ...earlier.map((each) => make("option", { value: `step:${each.value}` }, each.words)),
        ...variants.map((each) => make("option", { value: `variant:${each}` }, `variant ${each}`))
      );
      now.replaceChildren(
        make("option", { value: "" }, "the recipe"),
        ...after.slice(0, -1).map((each) => make("option", { value: each.value }, each.words))
      );
    }
    now.hidden = kind === "none" || peeking || upto === void 0;
    if (!peeking) before.value = kind === "step" ? `step:${step}` : kind === "variant" ? `variant:${name}` : "none";
    now.value = isPlace(upto) ? String(upto) : "";
  };
  return { element, update };
}
function holdable(element, react, signal) {
  const options = { signal };
  element.addEventListener(
    "pointerdown",
    (event) => {
      element.setPointerCapture(event.pointerId);
      react(true);
    },
    options
  );
  for (const name of ["pointerup", "pointercancel", "blur"]) element.addEventListener(name, () => react(false), options);
  const isPress = (event) => event.key === " " || event.key === "Enter";
  element.addEventListener("keydown", (event) => isPress(event) && !event.repeat && react(true), options);
  element.addEventListener("keyup", (event) => isPress(event) && react(false), options);
}

// ../panels/viewer/frames.ts
var Frames = class {
  now = emptySide();
  before = emptySide();
  #arrived;
  #failed;
  /** `arrived(side, kind)` is called when something new can be painted. */
  constructor(arrived, failed) {
    this.#arrived = arrived;
    this.#failed = failed;
  }
  /** Take what the kernel sent; anything that is no picture of a side is left alone. */
  accept(message, buffer) {
    if (message.side !== "now" && message.side !== "before" || !buffer) return;
    const side = this[message.side];
    if (message.kind === "fit") this.#acceptFit(side, message, buffer);
    if (message.kind === "loupe") void this.#acceptLoupe(side, message, buffer);
  }
  #acceptFit(side, message, buffer) {
    const { newest } = side;
    if (newest) {
      const same = message.generation === newest.generation;
      const older = message.generation < newest.generation;
      const lesser = same && message.draft && !newest.draft;
      const again = same && message.again && message.draft === newest.draft;
      if (older || lesser || again) return;
    }
    side.newest = message;
    side.waiting = { message, blob: new Blob([bytesOf(buffer)], { type: "image/jpeg" }) };
    if (!side.decoding) void this.#decode(side);
  }
  async #decode(side) {
    side.decoding = true;
    while (side.waiting) {
      const { message, blob } = side.waiting;
      side.waiting = null;
      try {
        this.#keepFit(side, message, await createImageBitmap(blob));
      } catch (error) {
        this.#failed(`the picture could not be shown (${error instanceof Error ? error.message : String(error)})`);
      }
    }
    side.decoding = false;
  }
  async #acceptLoupe(side, message, buffer) {
    if (isStale(side, message)) return;
    const [height, width] = message.size;
    const image = await createImageBitmap(imageData(buffer, width, height));
    const forgotten = this[message.side] !== side;
    if (forgotten || isStale(side, message)) return image.close();
    clear(side, "loupe");
    side.loupe = { message, image, clipped: null, frame: frameWords(side.fit?.message) };
    side.closest = message.generation;
    this.#arrived(message.side, "loupe");
  }
  #keepFit(side, message, image) {
    const forgotten = this[message.side] !== side;
    if (forgotten) return image.close();
    clear(side, "fit");
    side.fit = { message, image, clipped: null };
    if (isStale(side, side.loupe?.message)) clear(side, "loupe");
    this.#arrived(message.side, "fit");
  }
  /** The pixels at 1:1, if they belong to the very state that is shown. */
  loupe(side) {
    const { fit, loupe } = this[side];
    return fit && loupe?.message.generation === fit.message.generation ? loupe : null;
  }
  /** The same, if they are those of the finished picture. */
  exact(side) {
    const loupe = this.loupe(side);
    return loupe && !loupe.message.draft && !this[side].fit?.message.draft ? loupe : null;
  }
  /** The pixels at 1:1 to be laid over the reduced frame. While a control moves, its frames come faster than close-ups:
   *  the newest close-up stands in where it covers all that is `seen`. */
  closeUp(side, seen) {
    const { fit, loupe } = this[side];
    const standsIn = fit?.message.draft && loupe?.frame === frameWords(fit.message) && covers(loupe.message, seen);
    return this.loupe(side) ?? (standsIn ? loupe : null);
  }
  /** There is no close-up of what is shown, and an older one must not stand in for it. */
  noLoupe(name) {
    const side = this[name];
    if (!side.fit || this.loupe(name)) return;
    clear(side, "loupe");
    side.closest = side.fit.message.generation;
  }
  forget(name) {
    clear(this[name], "fit");
    clear(this[name], "loupe");
    this[name].waiting = null;
    this[name] = emptySide();
  }
  close() {
    this.forget("now");
    this.forget("before");
  }
};
function clear(side, kind) {
  side[kind]?.image.close();
  side[kind] = null;
}
var emptySide = () => ({ fit: null, loupe: null, newest: null, closest: 0, waiting: null, decoding: false });
var frameWords = (message) => String([message?.frame, message?.place]);
function isStale(side, message) {
  if (!message || !side.newest) return false;
  const least = side.newest.draft ? side.closest : side.newest.generation;
  return message.generation < least;
}
var bytesOf = ({ buffer, byteOffset, byteLength }) => new Uint8Array(buffer, byteOffset, byteLength);
function imageData(buffer, width, height) {
  const rgb = bytesOf(buffer);
  const data = new ImageData(width, height);
  const out = new Uint32Array(data.data.buffer);
  for (let i = 0, j = 0; i < out.length; i++, j += 3) {
    out[i] = 4278190080 | rgb[j + 2] << 16 | rgb[j + 1] << 8 | rgb[j];
  }
  return data;
}

// ../panels/viewer/input.ts
var OWN = ".wt-divider, .wt-linear, .wt-layers, .wt-map";
var CLICK = 4;
function stagePlace(bench, event) {
  const box = bench.parts.stage.getBoundingClientRect();
  return [(event.clientX - box.left) * bench.unit, (event.clientY - box.top) * bench.unit];
}
function listenToWheel(bench, signal) {
  const turn = (event) => {
    const { view, glide } = bench;
    const out = event.deltaY > 0;
    if (!view.known || out && view.fitted && !glide.moving) return;
    event.preventDefault();
    const lines = event.deltaMode === WheelEvent.DOM_DELTA_LINE ? 24 : event.deltaMode === WheelEvent.DOM_DELTA_PAGE ? 300 : 1;
    const factor = Math.exp(-clamp(event.deltaY * lines, -240, 240) * (event.ctrlKey ? 0.01 : 2e-3));
    glide.to(glide.goal * factor, ...stagePlace(bench, event));
  };
  bench.parts.stage.addEventListener("wheel", turn, { passive: false, signal });
}
function listenToPointers(bench, signal) {
  const pointers = /* @__PURE__ */ new Map();
  let gesture = null;
  const down = (event) => {
    if (!bench.view.known || event.button === 2 || closest(event, `[data-region], ${OWN}`)) return;
    if (gesture && gesture.kind !== "pinch") gesture.drop?.();
    bench.parts.stage.setPointerCapture(event.pointerId);
    bench.glide.stop();
    pointers.set(event.pointerId, stagePlace(bench, event));
    gesture = pointers.size === 2 ? pinch(bench, pointers) : pointers.size === 1 ? beginGesture(bench, event) : null;
    const taken = closest(event, "button");
    (taken ?? bench.parts.stage).focus({ preventScroll: true });
    event.preventDefault();
  };
  const move = (event) => {
    bench.readout.point(stagePlace(bench, event));
    bench.magnifier.point(closest(event, OWN) ? null : stagePlace(bench, event));
    if (!pointers.has(event.pointerId)) return;
    pointers.set(event.pointerId, stagePlace(bench, event));
    gesture?.move(stagePlace(bench, event), event.shiftKey);
  };
  const up = (event) => {
    if (!pointers.delete(event.pointerId)) return;
    if (event.type === "pointercancel") gesture?.drop?.();
    else gesture?.end?.(stagePlace(bench, event));
    gesture = null;
  };
  const on = (name, react) => bench.parts.stage.addEventListener(name, react, { signal });
  on("pointerdown", down);
  on("pointermove", move);
  on("pointerup", up);
  on("pointercancel", up);
  const left = () => {
    bench.readout.point(null);
    bench.magnifier.point(null);
  };
  bench.parts.stage.addEventListener("pointerleave", left, { signal });
  const twice = (event) => {
    if (bench.tools.name !== "look" || closest(event, `button, ${OWN}`)) return;
    const { view, glide } = bench;
    const nearer = view.fitZoom < 0.999 ? 1 : view.rung(1, view.fitZoom);
    glide.to(view.zoom < 0.999 * nearer ? nearer : view.fitZoom, ...stagePlace(bench, event));
  };
  bench.parts.stage.addEventListener("dblclick", twice, { signal });
}
function beginGesture(bench, event) {
  const { tools, view } = bench;
  const { handle, mark } = datasetOf(event);
  const from = stagePlace(bench, event);
  if (event.button === 1 || bench.panning) return panGesture(bench, from);
  if (mark !== void 0) return markGesture(bench, Number(mark), from);
  if (handle !== void 0 && !(handle === "move" && tools.isWhole)) {
    tools.start(handle);
    return { move: ([x, y]) => tools.pull((x - from[0]) / view.zoom, (y - from[1]) / view.zoom) };
  }
  if (tools.draws) return drawGesture(bench, from);
  if (tools.trails) return trailGesture(bench, from);
  if (tools.kind === "places") return clickGesture(bench, from, (at) => tools.setPlace(at));
  if (tools.kind === "place") return clickGesture(bench, from, (at) => bench.lookAt(at));
  return clickGesture(bench, from, () => bench.pickAt(from));
}
function panGesture(bench, from) {
  let last = from;
  return {
    move(at) {
      bench.view.panBy(at[0] - last[0], at[1] - last[1]);
      last = at;
      bench.moved();
    }
  };
}
function drawGesture(bench, from) {
  const { tools, view } = bench;
  const start = view.toFrame(...from);
  let drawing = false;
  return {
    move(at) {
      drawing ||= strayed(bench, from, at);
      if (drawing) tools.draw(start, view.toFrame(...at));
    },
    end: () => drawing && tools.drawn(),
    drop: () => tools.cancel()
  };
}
function trailGesture(bench, from) {
  const { tools, view } = bench;
  tools.follow(view.toFrame(...from));
  return {
    move: (at, shift) => tools.follow(view.toFrame(...at), shift),
    end: () => tools.followed(),
    drop: () => {
      tools.trail = [];
    }
  };
}
function clickGesture(bench, from, act) {
  const pan = panGesture(bench, from);
  let moved = false;
  return {
    move(at) {
      moved ||= strayed(bench, from, at);
      if (moved) pan.move(at, false);
    },
    end: (at) => !moved && act(bench.view.toFrame(...at))
  };
}
function markGesture(bench, number, from) {
  const { tools, view } = bench;
  let moved = false;
  return {
    move(at) {
      moved ||= strayed(bench, from, at);
      if (!moved) return;
      tools.drag = { mark: number, at: view.toFrame(...at) };
      bench.changed();
    },
    async end() {
      if (moved && tools.drag?.mark === number) await tools.movePlace(number, tools.drag.at);
      tools.drag = null;
    },
    drop() {
      tools.drag = null;
    }
  };
}
function pinch(bench, pointers) {
  const between2 = () => {
    const [[xa, ya], [xb, yb]] = [...pointers.values()];
    return { x: (xa + xb) / 2, y: (ya + yb) / 2, apart: Math.hypot(xa - xb, ya - yb) || 1 };
  };
  let last = between2();
  return {
    kind: "pinch",
    move() {
      if (pointers.size !== 2) return;
      const now = between2();
      bench.view.panBy(now.x - last.x, now.y - last.y);
      bench.view.zoomAround(bench.view.zoom * now.apart / last.apart, now.x, now.y);
      last = now;
      bench.moved();
    }
  };
}
var strayed = (bench, [xa, ya], [xb, yb]) => Math.hypot(xa - xb, ya - yb) > CLICK * bench.unit;
function listenToKeys(bench, signal) {
  const { view, glide, tools } = bench;
  const pan = (dx, dy) => (event) => {
    if (tools.nudge(event)) return;
    const share = event.shiftKey ? 0.5 : 0.12;
    view.panBy(-dx * share * view.stage.width, -dy * share * view.stage.height);
    bench.moved();
    bench.readout.pointMiddle();
  };
  const press = (react) => (event) => event.target === bench.parts.stage || datasetOf(event).handle ? react() : false;
  const keys = {
    "+": () => glide.to(view.rung(1, glide.goal)),
    "=": () => glide.to(view.rung(1, glide.goal)),
    "-": () => glide.to(view.rung(-1, glide.goal)),
    0: () => glide.to(view.fitZoom),
    1: () => glide.to(1),
    ArrowLeft: pan(-1, 0),
    ArrowRight: pan(1, 0),
    ArrowUp: pan(0, -1),
    ArrowDown: pan(0, 1),
    Delete: (event) => tools.nudge(event),
    Backspace: (event) => tools.nudge(event),
    Enter: press(() => tools.enter()),
    Escape: () => tools.name === "look" ? false : tools.cancel(),
    m: () => void bench.act("tool", { name: tools.kind === "place" ? "look" : "place" }),
    b: (event) => event.repeat || bench.hold(true),
    B: (event) => event.repeat || bench.hold(true)
  };
  for (const arrow of ["ArrowLeft", "ArrowRight", "ArrowUp", "ArrowDown"]) keys[`Shift+${arrow}`] = keys[arrow];
  onKeys(bench.parts.stage, keys, signal);
  const space = (event) => {
    if (event.key !== " " || event.target !== bench.parts.stage) return;
    bench.panning = event.type === "keydown";
    event.preventDefault();
  };
  bench.parts.stage.addEventListener("keydown", space, { signal });
  bench.parts.stage.addEventListener("keyup", space, { signal });
  const release = () => {
    bench.panning = false;
    bench.hold(false);
  };
  bench.window.addEventListener("keyup", (event) => event.key.toLowerCase() === "b" && bench.hold(false), { signal });
  bench.window.addEventListener("blur", release, { signal });
}

// ../panels/viewer/layers.ts
var LAYERS = [
  ["both", "Both", "the picture with its stars"],
  ["starless", "Starless", "the picture without its stars"],
  ["stars", "Stars", "the stars alone"]
];
function layerButtons(bench) {
  const buttons = LAYERS.map(
    ([layer, words, title]) => button(words, () => bench.act("see", { layer }), { pressed: false, title, dataset: { layer } })
  );
  const label = make("span", { class: "wt-label" }, "Layer");
  const element = make("div", { class: "wt-layers", role: "toolbar", "aria-label": "Which layer is seen" });
  element.append(label, ...buttons);
  return {
    element,
    update({ layers }) {
      element.hidden = !layers?.offered;
      for (const each of buttons) attribute(each, "aria-pressed", String(each.dataset.layer === layers?.shown));
      oneTabStop(element, bench.signal);
    }
  };
}

// ../panels/viewer/linear.ts
function makeSideNote(bench, corner) {
  const words = make("span", {});
  let linear = false;
  const turn = () => linear ? bench.act("brighten", { on: bench.state.brightened === false }) : bench.act("end_proof", {});
  const press = button("As it is", turn, { pressed: false });
  const element = make("div", { class: `wt-linear wt-chip wt-at-${corner}`, role: "note", hidden: true }, words, press);
  const update = (side, isLinear, room) => {
    const { proof = null } = bench.state;
    element.hidden = !side || !(isLinear || proof);
    if (!side || element.hidden) return;
    linear = isLinear;
    const asItIs = linear && bench.state.brightened === false;
    const light = asItIs ? "Linear light as it is" : "Linear light, brightened for the screen only";
    const text = linear ? light : `Soft proof: ${proof}`;
    if (words.textContent !== text) words.textContent = text;
    press.title = linear ? "linear light without brightening, nearly black" : "the picture without the soft proof";
    attribute(press, "aria-pressed", String(asItIs));
    attribute(element, "data-side", side);
    element.style.maxWidth = `calc(${Math.round(100 * room)}% - 24px)`;
  };
  return { element, update };
}

// ../panels/viewer/map.ts
var SIZE = 132;
function makeMap(bench) {
  const label = "The part that is seen, in the whole picture";
  const element = make("canvas", { class: "wt-map", role: "img", "aria-label": label, hidden: true });
  const goTo = (event) => {
    const box = element.getBoundingClientRect();
    const { view } = bench;
    bench.glide.stop();
    view.centreOn(
      (event.clientX - box.left) / box.width * view.frame.width,
      (event.clientY - box.top) / box.height * view.frame.height
    );
    bench.moved();
  };
  const { signal } = bench;
  element.addEventListener(
    "pointerdown",
    (event) => {
      element.setPointerCapture(event.pointerId);
      goTo(event);
      event.preventDefault();
    },
    { signal }
  );
  element.addEventListener(
    "pointermove",
    (event) => {
      if (element.hasPointerCapture(event.pointerId)) goTo(event);
    },
    { signal }
  );
  const paint = () => {
    const { view, frames, unit } = bench;
    const { fit } = frames.now;
    const seen = view.visible();
    const part = seen && (seen.width < view.frame.width || seen.height < view.frame.height);
    element.hidden = !fit || !part || view.fitted;
    if (!fit || !seen || element.hidden) return;
    const scale = SIZE * unit / Math.max(view.frame.width, view.frame.height);
    const [width, height] = [view.frame.width, view.frame.height].map(
      (length) => Math.max(1, Math.round(length * scale))
    );
    if (element.width !== width || element.height !== height) [element.width, element.height] = [width, height];
    element.style.width = `${width / unit}px`;
    element.style.height = `${height / unit}px`;
    const context = element.getContext("2d", { alpha: false });
    if (!context) return;
    context.imageSmoothingQuality = "high";
    context.drawImage(fit.image, 0, 0, width, height);
    const box = [seen.x0, seen.y0, seen.width, seen.height].map(
      (v) => v * scale
    );
    context.fillStyle = "rgb(16 14 12 / 0.55)";
    const rest = new Path2D();
    rest.rect(0, 0, width, height);
    rest.rect(...box);
    context.fill(rest, "evenodd");
    context.strokeStyle = "#ffe3a3";
    context.lineWidth = 1.5 * unit;
    context.strokeRect(...box);
  };
  return { element, paint };
}

// ../panels/viewer/own_window.ts
var PAGE = `<!doctype html><html lang="en"><meta charset="utf-8"><title></title><body></body></html>`;
function opened(show, gone) {
  const other = window.open("", "", "popup,width=1200,height=860");
  if (!other) return null;
  const there = other.document;
  there.write(PAGE);
  there.close();
  there.title = `Picture · ${document.title}`;
  dress(there);
  const themes = new MutationObserver(() => dress(there));
  themes.observe(document.body, { attributes: true });
  const place = there.createElement("main");
  place.className = "wt-own";
  there.body.append(place);
  const end = show(place);
  const close = () => other.close();
  window.addEventListener("pagehide", close);
  other.addEventListener("pagehide", () => {
    themes.disconnect();
    window.removeEventListener("pagehide", close);
    end();
    gone();
  });
  return other;
}
function dress(there) {
  for (const { name, value } of document.body.attributes) {
    if (name.includes("theme")) attribute(there.body, name, value);
  }
  const ours = [...document.querySelectorAll("style")].filter(({ textContent }) => textContent?.includes(".wt-"));
  there.head.querySelectorAll("style").forEach((style) => style.remove());
  there.head.append(...ours.map((style) => there.importNode(style, true)));
}
function windowButton(show, fail, signal) {
  let other = null;
  const turned = () => attribute(press, "aria-pressed", String(other !== null));
  const press = button(
    "Own window",
    () => {
      if (other) return other.close();
      other = opened(show, () => {
        other = null;
        turned();
      });
      if (!other) fail("the browser opened no window: allow pop-up windows for this page");
      turned();
    },
    { pressed: false, title: "the picture once more in a window of its own, beside the notebook or on another screen" }
  );
  signal.addEventListener("abort", () => other?.close(), { once: true });
  return press;
}

// ../panels/viewer/pen.ts
var MARK = "#ffe3a3";
var MARK_OUT = "#ffb3a0";
var HALO = "rgb(20 16 12 / 0.75)";
function stroke({ context, unit }, path, { color = MARK, width = 1.25, dash = [] } = {}) {
  context.setLineDash(dash.map((length) => length * unit));
  context.lineJoin = "round";
  context.strokeStyle = HALO;
  context.lineWidth = (width + 2) * unit;
  context.stroke(path);
  context.strokeStyle = color;
  context.lineWidth = width * unit;
  context.stroke(path);
  context.setLineDash([]);
}
function write({ context, unit }, text, x, y) {
  context.font = `600 ${11 * unit}px system-ui, sans-serif`;
  context.textAlign = "center";
  context.textBaseline = "middle";
  context.lineJoin = "round";
  context.strokeStyle = HALO;
  context.lineWidth = 3.5 * unit;
  context.strokeText(text, x, y);
  context.fillStyle = MARK;
  context.fillText(text, x, y);
}
function hatch({ context, view, unit }, path) {
  context.save();
  context.clip(path);
  const lines = new Path2D();
  const { width, height } = view.stage;
  for (let at = -height; at < width; at += 9 * unit) {
    lines.moveTo(at, height);
    lines.lineTo(at + height, 0);
  }
  context.strokeStyle = "rgb(255 227 163 / 0.4)";
  context.lineWidth = unit;
  context.stroke(lines);
  context.restore();
}
var isOn = ({ view }, x, y, reach2) => x > -reach2 && y > -reach2 && x < view.stage.width + reach2 && y < view.stage.height + reach2;
function drawEdge({ context, view, unit }) {
  const [left, top] = view.toStage(0, 0).map(Math.round);
  const [right, bottom] = view.toStage(view.frame.width, view.frame.height).map(Math.round);
  context.strokeStyle = "rgb(247 242 232 / 0.4)";
  context.lineWidth = unit;
  context.strokeRect(left - unit / 2, top - unit / 2, right - left + unit, bottom - top + unit);
}
function regionPath(view, region, grown = 0) {
  const path = new Path2D();
  const at = (x, y) => view.toStage(x + 0.5, y + 0.5);
  if ("points" in region) {
    region.points.forEach(([x, y], i) => i ? path.lineTo(...at(x, y)) : path.moveTo(...at(x, y)));
    path.closePath();
  } else if ("along" in region) {
    const [sx, sy] = at(region.x, region.y);
    const [a, b] = [region.along, region.across].map((half) => Math.max(half + grown, 0) * view.zoom);
    path.ellipse(sx, sy, a, b, region.angle_deg * Math.PI / 180, 0, 2 * Math.PI);
  } else {
    const [left, right] = [region.x0, region.x1].sort((a, b2) => a - b2);
    const [top, bottom] = [region.y0, region.y1].sort((a, b2) => a - b2);
    const [l, t] = at(left - grown, top - grown);
    const [r, b] = at(right + grown, bottom + grown);
    if (r <= l || b <= t) return path;
    if (region.shape === "ellipse") path.ellipse((l + r) / 2, (t + b) / 2, (r - l) / 2, (b - t) / 2, 0, 0, 2 * Math.PI);
    else path.rect(l, t, r - l, b - t);
  }
  return path;
}
var middleOf = ({ x, y }) => [x + 0.5, y + 0.5];
function regionMiddle(region) {
  if ("along" in region) return middleOf(region);
  if ("x0" in region) return middleOf({ x: (region.x0 + region.x1) / 2, y: (region.y0 + region.y1) / 2 });
  const mean = (axis) => region.points.reduce((sum, point) => sum + point[axis], 0) / region.points.length;
  return middleOf({ x: mean(0), y: mean(1) });
}

// ../panels/viewer/rectangle.ts
function dragged(rect, handle, dx, dy, frame) {
  if (handle === "move") {
    const [mx, my] = [clamp(dx, -rect.x0, frame.width - rect.x1), clamp(dy, -rect.y0, frame.height - rect.y1)];
    return { x0: rect.x0 + mx, x1: rect.x1 + mx, y0: rect.y0 + my, y1: rect.y1 + my };
  }
  const next = { ...rect };
  if (handle.includes("w")) next.x0 = clamp(rect.x0 + dx, 0, rect.x1 - 1);
  if (handle.includes("e")) next.x1 = clamp(rect.x1 + dx, rect.x0 + 1, frame.width);
  if (handle.includes("n")) next.y0 = clamp(rect.y0 + dy, 0, rect.y1 - 1);
  if (handle.includes("s")) next.y1 = clamp(rect.y1 + dy, rect.y0 + 1, frame.height);
  return next;
}
function between([xa, ya], [xb, yb], frame) {
  const [x0, x1] = [xa, xb].sort((a, b) => a - b).map((x) => clamp(x, 0, frame.width));
  const [y0, y1] = [ya, yb].sort((a, b) => a - b).map((y) => clamp(y, 0, frame.height));
  return { x0, y0, x1, y1 };
}
var sizeWords = ({ x0, y0, x1, y1 }) => `${Math.round(x1) - Math.round(x0)} × ${Math.round(y1) - Math.round(y0)} px`;
function rectangle(left, top, right, bottom) {
  const path = new Path2D();
  path.rect(left, top, right - left, bottom - top);
  return path;
}
function ellipseIn(left, top, right, bottom) {
  const path = new Path2D();
  path.ellipse((left + right) / 2, (top + bottom) / 2, (right - left) / 2, (bottom - top) / 2, 0, 0, 2 * Math.PI);
  return path;
}
function thirds(left, top, right, bottom) {
  const path = new Path2D();
  for (const share of [1 / 3, 2 / 3]) {
    const [x, y] = [left + share * (right - left), top + share * (bottom - top)];
    path.moveTo(x, top);
    path.lineTo(x, bottom);
    path.moveTo(left, y);
    path.lineTo(right, y);
  }
  return path;
}

// ../panels/viewer/handles.ts
var HANDLES = {
  move: "whole region",
  nw: "top left corner",
  n: "top edge",
  ne: "top right corner",
  e: "right edge",
  se: "bottom right corner",
  s: "bottom edge",
  sw: "bottom left corner",
  w: "left edge"
};
var Handles = class {
  layer = make("div", { class: "wt-handles" });
  #bench;
  #tools;
  #shown = "";
  // what the handles were made for
  /** `bench` as for the tools, which know what is edited and where. */
  constructor(bench, tools) {
    this.#bench = bench;
    this.#tools = tools;
  }
  /** Put the handles where they belong; called for every picture of the stage. */
  place() {
    const { regions, places } = this.#tools;
    const wanted = JSON.stringify([this.#tools.name, Boolean(this.#tools.region), regions.length, places.length]);
    if (wanted !== this.#shown) this.#makeHandles();
    this.#shown = wanted;
    for (const each of this.layer.querySelectorAll("button")) {
      const { handle, region, mark } = each.dataset;
      if (handle) this.#placeHandle(each, handle);
      if (region) this.#put(each, ...regionMiddle(regions[Number(region)]));
      if (mark) this.#put(each, ...this.#tools.markPlace(Number(mark)));
    }
  }
  #put(mark, x, y) {
    const [sx, sy] = this.#bench.view.toStage(x, y);
    const unit = this.#bench.unit;
    mark.style.translate = `${sx / unit}px ${sy / unit}px`;
  }
  #placeHandle(mark, handle) {
    const { region } = this.#tools;
    if (!region) return;
    const { x0, y0, x1, y1 } = region;
    const unit = this.#bench.unit;
    const x = handle.includes("w") ? x0 : handle.includes("e") ? x1 : (x0 + x1) / 2;
    const y = handle.includes("n") ? y0 : handle.includes("s") ? y1 : (y0 + y1) / 2;
    if (handle === "move") {
      this.#put(mark, x0, y0);
      mark.style.width = `${(x1 - x0) * this.#bench.view.zoom / unit}px`;
      mark.style.height = `${(y1 - y0) * this.#bench.view.zoom / unit}px`;
      attribute(mark, "aria-label", `${HANDLES.move}, ${sizeWords(region)}, move it with the arrow keys`);
      return;
    }
    this.#put(mark, x, y);
    attribute(mark, "aria-label", `${HANDLES[handle]} at column ${Math.round(x)}, row ${Math.round(y)}`);
  }
  #makeHandles() {
    const active = this.layer.ownerDocument.activeElement;
    const focused = Object.entries(active instanceof HTMLElement ? active.dataset : {});
    const inside = this.layer.contains(active);
    const marks = [...this.#edges(), ...this.#regions(), ...this.#places()];
    this.layer.replaceChildren(...marks);
    const again = inside && marks.find((mark) => focused.every(([key, value]) => mark.dataset[key] === value));
    if (again) again.focus({ preventScroll: true });
    else if (inside) this.#bench.focus();
  }
  /** Grips of the rectangle that is edited. */
  #edges() {
    if (!this.#tools.region) return [];
    return Object.keys(HANDLES).map(
      (handle) => make("button", { type: "button", class: "wt-handle", dataset: { handle } })
    );
  }
  /** Buttons that take drawn regions away. */
  #regions() {
    return this.#tools.regions.map((_, i) => {
      const label = `take region ${i + 1} away`;
      const props = { dataset: { region: i }, "aria-label": label, class: "wt-button wt-unmark" };
      return button("take away", () => this.#tools.erase(i), props);
    });
  }
  /** Marks of places. */
  #places() {
    const item = this.#tools.tool?.item ?? "";
    return this.#tools.places.map((_, i) => {
      const label = `${item} ${i + 1}: arrow keys move it, Delete takes it away`;
      return make("button", { type: "button", class: "wt-mark", dataset: { mark: i }, "aria-label": label });
    });
  }
  focus(handle) {
    this.layer.querySelector(`[data-handle="${handle}"]`)?.focus();
  }
};

// ../panels/viewer/clipped.ts
function clippedOf(shown2) {
  if (shown2.clipped) return shown2.clipped;
  const { width, height } = shown2.image;
  const canvas = new OffscreenCanvas(width, height);
  const context = canvas.getContext("2d", { willReadFrequently: true });
  if (!context) return { canvas, white: 0, black: 0 };
  context.drawImage(shown2.image, 0, 0);
  const pixels = context.getImageData(0, 0, width, height);
  const words = new Uint32Array(pixels.data.buffer);
  let white = 0;
  let black = 0;
  for (let i = 0; i < words.length; i++) {
    const [r, g, b] = [words[i] & 255, words[i] >> 8 & 255, words[i] >> 16 & 255];
    words[i] = 0;
    if (r >= 254 && g >= 254 && b >= 254) {
      white++;
      words[i] = 4280834815;
    } else if (r <= 1 && g <= 1 && b <= 1) {
      black++;
      if ((i % width + Math.floor(i / width)) % 2 === 0) words[i] = 4294940230;
    }
  }
  context.putImageData(pixels, 0, 0);
  shown2.clipped = { canvas, white: white / words.length, black: black / words.length };
  return shown2.clipped;
}
function drawClipped(pen, frames, sides) {
  const { context, view } = pen;
  if (!frames.now.fit) return "";
  onEachSide(pen, sides, (side) => {
    const finest = layersOf(view, frames, side).at(-1);
    if (finest) lay(context, clippedOf(finest.shown).canvas, finest.way, true);
  });
  const percent = (value) => `${plainNumber(100 * value, 2)} %`;
  const shares = sides.flatMap(({ side }) => {
    const { fit } = frames[side];
    if (!fit) return [];
    const { white, black } = clippedOf(fit);
    return `${side === "before" ? "before " : ""}${percent(white)} white, ${percent(black)} black`;
  });
  return `clipped: ${shares.reverse().join("; ")} (white orange and solid, black blue and checkered)`;
}

// ../panels/viewer/overlays.ts
function drawStars(pen, stars) {
  const { view, unit } = pen;
  const path = new Path2D();
  for (const [y, x, fwhm, elongation, angle, saturated2] of stars) {
    const [sx, sy] = view.toStage(x + 0.5, y + 0.5);
    const mean = Math.max(fwhm * view.zoom, 4 * unit);
    if (!isOn(pen, sx, sy, mean * 2)) continue;
    const stretch = Math.sqrt(Math.max(elongation, 1));
    const turned = angle * Math.PI / 180;
    if (saturated2) path.rect(sx - mean, sy - mean, 2 * mean, 2 * mean);
    path.moveTo(sx + mean * stretch * Math.cos(turned), sy + mean * stretch * Math.sin(turned));
    path.ellipse(sx, sy, mean * stretch, mean / stretch, turned, 0, 2 * Math.PI);
  }
  stroke(pen, path, { width: 1 });
  const saturated = stars.filter((star) => star[5]).length;
  return `stars: ${stars.length} ellipses show width and direction; ${saturated} saturated have a square around them`;
}
function drawPoints(pen, points) {
  const { view, unit } = pen;
  const used = new Path2D();
  const left = new Path2D();
  const r = 3 * unit;
  for (const [y, x, accepted] of points) {
    const [sx, sy] = view.toStage(x + 0.5, y + 0.5);
    if (!isOn(pen, sx, sy, r)) continue;
    if (accepted) {
      used.moveTo(sx + r, sy);
      used.arc(sx, sy, r, 0, 2 * Math.PI);
    } else {
      left.moveTo(sx - r, sy - r);
      left.lineTo(sx + r, sy + r);
      left.moveTo(sx + r, sy - r);
      left.lineTo(sx - r, sy + r);
    }
  }
  stroke(pen, used);
  stroke(pen, left, { color: MARK_OUT, width: 1 });
}
function drawPicked(pen, { x, y }) {
  const { view, unit } = pen;
  const [sx, sy] = view.toStage(x + 0.5, y + 0.5);
  const [near, far] = [11 * unit, 19 * unit];
  const path = new Path2D();
  path.arc(sx, sy, near, 0, 2 * Math.PI);
  for (const [dx, dy] of [
    [1, 0],
    [-1, 0],
    [0, 1],
    [0, -1]
  ]) {
    path.moveTo(sx + dx * near, sy + dy * near);
    path.lineTo(sx + dx * far, sy + dy * far);
  }
  stroke(pen, path, { width: 2 });
}
function pickable(pen, { overlay_data }, x, y) {
  let found = null;
  let least = 10 * pen.unit;
  for (const each of overlay_data?.shown ?? []) {
    if (each.kind !== "points" || !each.plotted) continue;
    each.points.forEach(([py, px], number) => {
      const [sx, sy] = pen.view.toStage(px + 0.5, py + 0.5);
      const away = Math.hypot(sx - x, sy - y);
      if (away >= least) return;
      least = away;
      found = [each.id, number];
    });
  }
  return found;
}
function drawContours(pen, { lines }) {
  const { view } = pen;
  const labelled = /* @__PURE__ */ new Set();
  for (const { tenth, points } of lines) {
    const path = new Path2D();
    for (const [y2, x2] of points) path.lineTo(...view.toStage(x2 + 0.5, y2 + 0.5));
    stroke(pen, path, { width: tenth === 5 ? 2 : 1 });
    if (labelled.has(tenth)) continue;
    labelled.add(tenth);
    const [y, x] = points[Math.floor(points.length * tenth / 10)];
    write(pen, `${tenth * 10} %`, ...view.toStage(x + 0.5, y + 0.5));
  }
}
function drawRegions(pen, regions, item) {
  regions.forEach((region, i) => {
    const path = regionPath(pen.view, region);
    hatch(pen, path);
    stroke(pen, path);
    write(pen, `${item} ${i + 1}`, ...pen.view.toStage(...regionMiddle(region)));
  });
}
function drawLine(pen, { x0, y0, x1, y1 }, gradient = true) {
  const { view, unit } = pen;
  const [from, to] = [view.toStage(x0 + 0.5, y0 + 0.5), view.toStage(x1 + 0.5, y1 + 0.5)];
  const path = new Path2D();
  path.moveTo(...from);
  path.lineTo(...to);
  if (!gradient) return stroke(pen, path, { width: 1.5 });
  path.moveTo(from[0] + 6 * unit, from[1]);
  path.arc(...from, 6 * unit, 0, 2 * Math.PI);
  stroke(pen, path, { width: 1.5 });
  write(pen, "0", from[0], from[1] - 14 * unit);
  write(pen, "all", to[0], to[1] - 14 * unit);
}
function drawCircle(pen, { x, y, outer }) {
  const { view, unit } = pen;
  const at = view.toStage(x + 0.5, y + 0.5);
  const path = new Path2D();
  path.arc(...at, outer * view.zoom, 0, 2 * Math.PI);
  path.moveTo(at[0] + 3 * unit, at[1]);
  path.arc(...at, 3 * unit, 0, 2 * Math.PI);
  stroke(pen, path, { width: 1.5 });
}
function drawStrokes({ context, view }, strokes) {
  context.save();
  context.lineCap = context.lineJoin = "round";
  context.strokeStyle = "rgb(255 227 163 / 0.28)";
  for (const { radius, points } of strokes) {
    context.lineWidth = 2 * radius * view.zoom;
    context.beginPath();
    for (const [x2, y2] of points) context.lineTo(...view.toStage(x2 + 0.5, y2 + 0.5));
    const [[x, y]] = points;
    if (points.length === 1) context.lineTo(...view.toStage(x + 0.51, y + 0.5));
    context.stroke();
  }
  context.restore();
}
function drawShown(pen, shown2) {
  if (shown2.kind === "points") drawPoints(pen, shown2.points);
  if (shown2.kind === "contours") drawContours(pen, shown2);
  if (shown2.kind === "outline") stroke(pen, regionPath(pen.view, shown2.region), { dash: [7, 5] });
  return shown2.says;
}
function drawDrawn(pen, drawn) {
  if (drawn.kind === "regions") drawRegions(pen, drawn.items, drawn.item);
  if (drawn.kind === "strokes") drawStrokes(pen, drawn.items);
  if (drawn.kind === "segment") for (const line of drawn.items) drawLine(pen, line);
  if (drawn.kind === "circle") for (const circle of drawn.items) drawCircle(pen, circle);
  return drawn.says;
}
function drawOverlays(pen, frames, state, sides, masks) {
  const { shown: shown2 = [], drawn = [], stars, mask, picked } = state.overlay_data ?? {};
  const on = new Set(state.overlays?.flatMap((each) => each.on ? each.id : []));
  const says = [];
  if (on.has("clipped")) says.push(drawClipped(pen, frames, sides));
  if (mask) masks.paint(pen, mask);
  if (mask || on.has("mask") || on.has("mask_alone"))
    says.push(mask?.says ?? "mask: the chosen step changes the whole frame");
  for (const each of shown2) says.push(drawShown(pen, each));
  for (const each of drawn) says.push(drawDrawn(pen, each));
  if (picked) drawPicked(pen, picked);
  if (on.has("stars")) says.push(stars ? drawStars(pen, stars) : "stars: nothing is measured yet");
  return says.filter(Boolean);
}

// ../panels/viewer/tools.ts
var LOOK = { words: "Look", help: "Drag to move the picture; double-click for 1:1 and back." };
var LOUPE = {
  words: "Loupe",
  help: "Exact pixels under the pointer (M); a click shows the place at 1:1, Enter the middle."
};
var toolsOf = (state) => [
  { id: "look", ...LOOK },
  { id: "place", ...LOUPE },
  ...state.tools ?? []
];
var tenths = (value) => Math.round(value * 10) / 10;
function regionOf({ x0, y0, x1, y1 }, shape) {
  if (shape === "ellipse") {
    const [x, y] = [tenths((x0 + x1 - 1) / 2), tenths((y0 + y1 - 1) / 2)];
    return { shape, x, y, along: tenths((x1 - x0) / 2), across: tenths((y1 - y0) / 2), angle_deg: 0 };
  }
  return { shape, x0: tenths(x0 - 0.5), y0: tenths(y0 - 0.5), x1: tenths(x1 - 0.5), y1: tenths(y1 - 0.5) };
}
var Tools = class {
  // a mark moved by keys
  constructor(bench) {
    this.bench = bench;
    this.handles = new Handles(bench, this);
  }
  bench;
  rect = null;
  // being edited, not yet applied
  shape = "rectangle";
  radius = null;
  // of the brush, in pixels of the frame; null: not chosen yet
  /** Where the pointer went, in the hand and not yet told: of a stroke all places, of a line or circle both ends. */
  trail = [];
  drag = null;
  handles;
  hint = make("div", { class: "wt-hint wt-row" });
  #nudge = null;
  get name() {
    return this.bench.state.tool ?? "look";
  }
  /** The tool in hand, if an operation declares it. */
  get tool() {
    return this.bench.state.tools?.find(({ id }) => id === this.name);
  }
  /** How it draws: by the operation's declaration, else its own name. */
  get kind() {
    return this.tool?.kind ?? (this.name === "place" ? "place" : "look");
  }
  /** Whether dragging draws a rectangle. */
  get draws() {
    return this.kind === "margins" || this.kind === "regions" || this.kind === "rectangle";
  }
  /** Whether dragging draws along the pointer's way: a brush, a line, a circle. */
  get trails() {
    return this.kind === "strokes" || this.kind === "segment" || this.kind === "circle";
  }
  /** Radius of the brush, in pixels of the frame. */
  get brush() {
    const { width, height } = this.bench.view.frame;
    return this.radius ?? this.tool?.radius ?? Math.max(1, Math.round(Math.max(width, height) / 40));
  }
  /** What was drawn with the tool in hand. */
  get #drawn() {
    return this.bench.state.overlay_data?.drawn?.find(({ tool }) => tool === this.name);
  }
  /** Regions that were drawn with the tool in hand. */
  get regions() {
    const drawn = this.#drawn;
    return drawn?.kind === "regions" ? drawn.items : [];
  }
  /** Places that were set with the tool in hand. */
  get places() {
    const drawn = this.#drawn;
    return drawn?.kind === "places" ? drawn.items : [];
  }
  /** The rectangle on the stage; margins start from those that the recipe has. */
  get region() {
    if (this.rect || this.kind !== "margins" || !this.bench.view.known) return this.rect;
    const { width, height } = this.bench.view.frame;
    const drawn = this.#drawn;
    const [margins] = drawn?.kind === "margins" ? drawn.items : [];
    const { top, right, bottom, left } = margins ?? { top: 0, right: 0, bottom: 0, left: 0 };
    return { x0: left, y0: top, x1: Math.max(width - right, left + 1), y1: Math.max(height - bottom, top + 1) };
  }
  get isWhole() {
    const { width, height } = this.bench.view.frame;
    const { region } = this;
    if (!region) return false;
    const { x0, y0, x1, y1 } = region;
    return x0 <= 0 && y0 <= 0 && x1 >= width && y1 >= height;
  }
  // -- what a person does -------------------------------------------------------------------------
  /** The pointer went on; `straight` draws a line from where it began. */
  follow(at, straight = false) {
    const last = this.trail.at(-1);
    const near = last && Math.hypot(at[0] - last[0], at[1] - last[1]) < 0.2 * this.brush;
    if (this.kind !== "strokes" || straight) this.trail = [this.trail[0] ?? at, at];
    else if (!near) this.trail.push(at);
    this.bench.changed();
  }
  /** The pointer was lifted: what it drew is kept. */
  followed() {
    const value = this.#trailed();
    this.trail = [];
    if (value) void this.bench.act("draw", { what: this.name, value });
    this.bench.changed();
  }
  /** What lies along the trail, in pixel centers; null where it is nothing. */
  #trailed() {
    const points = this.trail.map(([x, y]) => [tenths(x - 0.5), tenths(y - 0.5)]);
    if (this.kind === "strokes") return points.length ? { radius: this.brush, points } : null;
    const [[x0, y0], [x1, y1]] = [points[0] ?? [0, 0], points.at(-1) ?? [0, 0]];
    const apart = tenths(Math.hypot(x1 - x0, y1 - y0));
    if (apart < 1) return null;
    return this.kind === "circle" ? { x: x0, y: y0, outer: apart } : { x0, y0, x1, y1 };
  }
  start(handle) {
    if (this.region) this.drag = { handle, rect: this.region };
  }
  draw(from, to) {
    this.rect = between(from, to, this.bench.view.frame);
    this.bench.changed();
  }
  pull(dx, dy) {
    if (this.drag?.handle === void 0) return;
    const { handle, rect } = this.drag;
    this.rect = dragged(rect, handle, dx, dy, this.bench.view.frame);
    this.bench.changed();
  }
  /** A drag on the bare stage ended: regions are kept at once, margins wait to be applied. */
  drawn() {
    const { rect } = this;
    const tiny = !rect || rect.x1 - rect.x0 < 2 || rect.y1 - rect.y0 < 2;
    if (tiny) this.cancel();
    else if (this.kind !== "margins") this.apply();
  }
  apply() {
    const { region, kind } = this;
    if (!region) return;
    this.rect = null;
    void this.bench.act("draw", { what: this.name, value: this.#valueOf(region) });
    if (kind !== "regions") void this.bench.act("tool", { name: "look" });
    this.bench.changed();
  }
  /** A rectangle as the setting has it. */
  #valueOf(rect) {
    if (this.kind === "regions") return regionOf(rect, this.shape);
    const { width, height } = this.bench.view.frame;
    const [x0, y0, x1, y1] = [rect.x0, rect.y0, rect.x1, rect.y1].map(Math.round);
    if (this.kind === "margins") return { top: y0, right: width - x1, bottom: height - y1, left: x0 };
    return { x0, y0, x1, y1 };
  }
  cancel() {
    const nothing = !this.rect && !this.trail.length;
    this.rect = null;
    this.trail = [];
    if (nothing && this.name !== "look") void this.bench.act("tool", { name: "look" });
    this.bench.changed();
    this.bench.focus();
  }
  /** Enter on the picture: apply what is drawn, or begin in the middle of what is seen. */
  enter() {
    const { view } = this.bench;
    const middle = view.toFrame(view.stage.width / 2, view.stage.height / 2);
    if (this.kind === "place") this.bench.lookAt(middle);
    else if (this.kind === "places") this.setPlace(middle);
    else if (this.draws && this.region) this.apply();
    else if (this.draws) {
      const seen = view.visible();
      if (!seen) return;
      const [dx, dy] = [seen.width / 8, seen.height / 8];
      this.draw([middle[0] - dx, middle[1] - dy], [middle[0] + dx, middle[1] + dy]);
      this.handles.place();
      this.handles.focus("move");
    }
  }
  setPlace([x, y]) {
    const { width, height } = this.bench.view.frame;
    if (x < 0 || y < 0 || x >= width || y >= height) return;
    void this.bench.act("draw", { what: this.name, value: { y: tenths(y - 0.5), x: tenths(x - 0.5) } });
  }
  movePlace(number, [x, y]) {
    const { width, height } = this.bench.view.frame;
    const value = { x: tenths(clamp(x - 0.5, 0, width - 1)), y: tenths(clamp(y - 0.5, 0, height - 1)) };
    return this.bench.act("redraw", { what: this.name, number, value });
  }
  /** Take a drawn thing away. */
  erase(number) {
    return this.bench.act("erase", { what: this.name, number });
  }
  /** Arrow keys on a handle or a mark; one press is one screen pixel, with Shift ten. */
  nudge(event) {
    const moves = {
      ArrowLeft: [-1, 0],
      ArrowRight: [1, 0],
      ArrowUp: [0, -1],
      ArrowDown: [0, 1]
    };
    const move = moves[event.key];
    const { handle, mark } = datasetOf(event);
    if (mark !== void 0 && (event.key === "Delete" || event.key === "Backspace")) {
      void this.erase(Number(mark));
      this.bench.focus();
      return true;
    }
    if (!move || handle === void 0 && mark === void 0) return false;
    const by = (event.shiftKey ? 10 : 1) * Math.max(1, Math.round(this.bench.unit / this.bench.view.zoom));
    if (handle !== void 0) {
      this.start(handle);
      this.pull(move[0] * by, move[1] * by);
    } else this.#nudgeMark(Number(mark), move[0] * by, move[1] * by);
    return true;
  }
  #nudgeMark(number, dx, dy) {
    const from = this.markPlace(number);
    clearTimeout(this.#nudge?.timer);
    const at = [from[0] + dx, from[1] + dy];
    const told = async () => {
      await this.movePlace(number, at);
      this.#nudge = null;
    };
    const timer = setTimeout(() => void told(), 350);
    this.#nudge = { number, at, timer };
    this.bench.changed();
  }
  /** Where a mark is: in the hand, or where the recipe has it. */
  markPlace(number) {
    if (this.#nudge?.number === number) return this.#nudge.at;
    if (this.drag?.mark === number) return this.drag.at;
    return middleOf(this.places[number]);
  }
  // -- what is seen -------------------------------------------------------------------------------
  /** Draw the frame being edited, with thirds for composing. */
  paint(pen) {
    this.#paintTrail(pen);
    const { region, kind } = this;
    if (!region) return;
    const { context, view } = pen;
    const [left, top] = view.toStage(region.x0, region.y0);
    const [right, bottom] = view.toStage(region.x1, region.y1);
    const outline = kind === "regions" && this.shape === "ellipse" ? ellipseIn(left, top, right, bottom) : rectangle(left, top, right, bottom);
    if (kind === "margins") {
      const rest = rectangle(...view.toStage(0, 0), ...view.toStage(view.frame.width, view.frame.height));
      rest.addPath(outline);
      context.fillStyle = "rgb(16 14 12 / 0.62)";
      context.fill(rest, "evenodd");
      stroke(pen, thirds(left, top, right, bottom), { width: 0.5, color: "rgb(255 227 163 / 0.5)" });
    }
    stroke(pen, outline, { width: 1.5 });
  }
  #paintTrail(pen) {
    if (!this.trail.length) return;
    const { view, context } = pen;
    const [[x0, y0], [x1, y1]] = [this.trail[0], this.trail[this.trail.length - 1]].map(([x, y]) => [x - 0.5, y - 0.5]);
    if (this.kind === "segment") drawLine(pen, { x0, y0, x1, y1 }, this.name.startsWith("mask."));
    else if (this.kind === "circle") drawCircle(pen, { x: x0, y: y0, outer: Math.hypot(x1 - x0, y1 - y0) });
    else {
      context.save();
      context.lineWidth = 2 * this.brush * view.zoom;
      context.lineCap = context.lineJoin = "round";
      context.strokeStyle = "rgb(255 227 163 / 0.4)";
      context.beginPath();
      for (const [x, y] of this.trail) context.lineTo(...view.toStage(x, y));
      const [first] = this.trail;
      if (this.trail.length === 1) context.lineTo(...view.toStage(first[0] + 0.01, first[1]));
      context.stroke();
      context.restore();
    }
  }
  /** How wide the brush is, and a way to take the last stroke back. */
  #brushParts() {
    const size = make("input", {
      type: "number",
      min: "0.5",
      step: "1",
      class: "wt-number",
      value: String(this.brush),
      "aria-label": "Radius of the brush in pixels"
    });
    size.addEventListener("change", () => {
      const wanted = Number(size.value);
      if (wanted > 0) this.radius = wanted;
      size.value = String(this.brush);
    });
    const drawn = this.#drawn;
    const count = drawn?.kind === "strokes" ? drawn.count : 0;
    const parts = [make("label", { class: "wt-row" }, "Radius", size, "px")];
    if (count) parts.push(button("Take last stroke away", () => this.erase(count - 1)));
    return parts;
  }
  /** The words beside the picture that say what the tool does, with its buttons. */
  paintHint() {
    const { name, kind, region } = this;
    const help = toolsOf(this.bench.state).find(({ id }) => id === name)?.help ?? "";
    const drawn = this.#drawn;
    const strokes = drawn?.kind === "strokes" ? drawn.count : 0;
    const words = JSON.stringify([help, this.shape, region && sizeWords(region), Boolean(this.rect), strokes]);
    if (this.hint.dataset.words === words) return;
    this.hint.dataset.words = words;
    const active = this.hint.ownerDocument.activeElement;
    const focused = this.hint.contains(active) ? active?.textContent : null;
    const parts = [make("span", { class: "wt-grow" }, help)];
    if (region) parts.push(make("span", { class: "wt-figures" }, sizeWords(region)));
    if (kind === "regions") {
      for (const shape of ["rectangle", "ellipse"]) {
        const choose = () => {
          this.shape = shape;
          this.bench.changed();
        };
        parts.push(button(shape, choose, { pressed: this.shape === shape }));
      }
    }
    if (kind === "strokes") parts.push(...this.#brushParts());
    if (region) parts.push(button("Apply", () => this.apply(), { class: "wt-button wt-main" }));
    else if (kind !== "look" && !this.trails) parts.push(button("In the middle", () => this.enter()));
    if (name !== "look") parts.push(button(this.rect ? "Cancel" : "Done", () => this.cancel()));
    this.hint.replaceChildren(...parts);
    if (focused) [...this.hint.querySelectorAll("button")].find((b) => b.textContent === focused)?.focus();
  }
};

// ../panels/viewer/layout.ts
var STAGE = "Picture. Plus and minus zoom, 0 fits, 1 shows exact pixels, arrows move, B held shows before";
function layOut(bench) {
  const parts = {
    picture: make("canvas", { role: "img", class: "wt-picture" }),
    marks: make("canvas", { class: "wt-marks", "aria-hidden": "true" }),
    badges: make("div", { class: "wt-badges" }),
    linear: { left: makeSideNote(bench, "left"), right: makeSideNote(bench, "right") },
    legend: make("ul", { class: "wt-legend" }),
    handle: makeDivider(bench),
    empty: make("p", { class: "wt-empty" }, "Open a stack, and it is shown here."),
    stage: make("div", { class: "wt-stage", tabindex: "0", role: "application", "aria-label": STAGE }),
    zoomWords: make("output", { class: "wt-zoom wt-figures", "aria-live": "off" }),
    tools: toolButtons(bench),
    overlays: overlayButtons(bench),
    compareGroup: makeCompare(bench),
    layers: layerButtons(bench),
    map: makeMap(bench)
  };
  const { picture, marks, badges, linear, legend, handle, empty, stage } = parts;
  const notes = [
    badges,
    linear.left.element,
    linear.right.element,
    legend,
    parts.layers.element,
    parts.map.element,
    empty
  ];
  stage.append(
    picture,
    marks,
    bench.sky.element,
    bench.magnifier.element,
    handle.element,
    bench.tools.handles.layer,
    ...notes
  );
  const gap = () => make("span", { class: "wt-grow" });
  const own = bench.again ? windowButton(bench.again, (text) => bench.status.fail(text), bench.signal) : "";
  bench.root.append(
    make("div", { class: "wt-row" }, parts.tools.element, gap(), zoomButtons(bench, parts.zoomWords)),
    stage,
    // Below the print, which stays where it is when a tool is taken up.
    make("div", { class: "wt-foot" }, bench.tools.hint, bench.readout.element),
    make("div", { class: "wt-row wt-under" }, parts.overlays.element, gap(), parts.compareGroup.element, own),
    bench.status.element
  );
  const nothing = { frames: 0, framesBefore: 0, generation: "", draft: "", zoom: "", tool: "look" };
  tell(bench.root, nothing);
  return parts;
}
function toolButtons(bench) {
  const label = "What dragging on the picture does";
  const one = (id, words, shown2, title) => {
    const made2 = button(shown2, () => bench.act("tool", { name: id }), { pressed: false, title, dataset: { tool: id } });
    attribute(made2, "aria-label", words);
    return made2;
  };
  return switches(bench, label, [], (state) => {
    const tools = toolsOf(state);
    return tools.map(({ id, words, help }, i) => {
      const [group, rest] = words.split(": ");
      const shown2 = rest && tools[i - 1]?.words.startsWith(`${group}: `) ? rest : words;
      return {
        id: `${id} ${words} ${help}`,
        on: (state.tool ?? "look") === id,
        make: () => one(id, words, shown2, help)
      };
    });
  });
}
function overlayButtons(bench) {
  const label = "What lies over the picture";
  const isOn2 = (id) => Boolean(bench.state.overlays?.find((each) => each.id === id)?.on);
  const one = (id, words) => {
    const turn = () => bench.act("overlay", { name: id, on: !isOn2(id) });
    return button(words, turn, { pressed: false, dataset: { overlay: id } });
  };
  return switches(
    bench,
    label,
    [make("span", { class: "wt-label" }, "Show")],
    (state) => (state.overlays ?? []).map(({ id, words, on }) => ({ id: `${id} ${words}`, on, make: () => one(id, words) }))
  );
}
function switches(bench, label, first, offered) {
  const element = make("div", { class: "wt-group", role: "toolbar", "aria-label": label });
  let shown2 = "";
  let buttons = [];
  const update = (state) => {
    const offers = offered(state);
    const ids = JSON.stringify(offers.map(({ id }) => id));
    if (ids !== shown2) {
      shown2 = ids;
      buttons = offers.map((offer) => offer.make());
      element.replaceChildren(...first, ...buttons);
    }
    offers.forEach(({ on }, i) => attribute(buttons[i], "aria-pressed", String(on)));
    oneTabStop(element, bench.signal);
  };
  return { element, update };
}
function zoomButtons({ view, glide }, words) {
  const named = (text) => ({ "aria-label": text, title: text });
  return make(
    "div",
    { class: "wt-group", role: "group", "aria-label": "Zoom" },
    words,
    button("−", () => glide.to(view.rung(-1, glide.goal)), named("zoom out")),
    button("+", () => glide.to(view.rung(1, glide.goal)), named("zoom in")),
    button("Fit", () => glide.to(view.fitZoom), named("fit the whole frame")),
    button("1:1", () => glide.to(1), named("one picture pixel on one screen pixel"))
  );
}

// ../panels/viewer/magnifier.ts
var SIZE2 = 240;
var AROUND = 0.35;
var Magnifier = class {
  glass = make("canvas", { "aria-hidden": "true" });
  words = make("span", {});
  element = make("div", { class: "wt-magnifier", hidden: true }, this.glass, this.words);
  #bench;
  #place = null;
  // of the pointer on the stage
  #on = false;
  #known = null;
  #ask;
  constructor(bench) {
    this.#bench = bench;
    this.#ask = newestOnly(
      (wanted) => ask(bench.model, "magnify", { ...wanted }, { patience: 60 }).catch(() => void 0)
    );
    watchMessages(bench.model, (message, buffers) => void this.#accept(message, buffers?.[0]), bench.signal);
    bench.signal.addEventListener("abort", () => this.#close(), { once: true });
  }
  #close() {
    this.#ask.forget();
    this.#known?.image.close();
    this.#known = null;
  }
  /** Taken in hand, or put down. */
  turn(on) {
    this.#on = on;
    if (!on) this.#ask.forget();
    this.paint();
  }
  point(place) {
    this.#place = place;
    if (this.#on) this.paint();
  }
  /** How many pixels of the screen one of the frame takes: one, or more where the picture is as large already. */
  get #scale() {
    const { view } = this.#bench;
    return view.zoom > 0.7 ? 2 * Math.ceil(view.zoom - 1e-3) : 1;
  }
  paint() {
    const { view, frames, sides } = this.#bench;
    const place = this.#on && view.known ? this.#place : null;
    const side = place && (sides.find(({ from, to }) => place[0] >= from && place[0] < to)?.side ?? "now");
    const fit = side && frames[side].fit;
    const [x, y] = place ? view.toFrame(...place) : [-1, -1];
    const inside = x >= 0 && y >= 0 && x < view.frame.width && y < view.frame.height;
    this.element.hidden = !(fit && inside);
    if (!place || !side || !fit || !inside) return;
    const size = Math.round(SIZE2 * this.#bench.unit);
    if (this.glass.width !== size) [this.glass.width, this.glass.height] = [size, size];
    const context = this.glass.getContext("2d", { alpha: false });
    if (!context) return;
    const scale = this.#scale;
    const own = wayToShown(frames, side);
    const way = new DOMMatrix([scale, 0, 0, scale, size / 2 - scale * x, size / 2 - scale * y]).multiplySelf(own);
    const [height, width] = fit.message.frame;
    context.setTransform(1, 0, 0, 1, 0, 0);
    context.fillStyle = "#1d1b19";
    context.fillRect(0, 0, size, size);
    context.imageSmoothingEnabled = true;
    context.setTransform(way.scale(width / fit.image.width, height / fit.image.height));
    context.drawImage(fit.image, 0, 0);
    const middle = through(own.inverse(), x, y);
    const known = this.#fitting(side, fit.message.generation);
    if (known) {
      context.imageSmoothingEnabled = false;
      context.setTransform(wholePixels(way.translate(known.message.x0, known.message.y0)));
      context.drawImage(known.image, 0, 0);
    }
    const half = size / 2 / scale;
    const exact = Boolean(known && covers2(known.message, middle, half, [width, height]));
    if (!exact || known?.message.draft !== fit.message.draft) this.#want(side, middle, half, fit.message.draft);
    this.words.textContent = `${scale}:1${exact ? "" : " …"}`;
    tell(this.element, { exact: String(exact && !known?.message.draft) });
    const { unit } = this.#bench;
    this.element.style.translate = `${place[0] / unit - SIZE2 / 2}px ${place[1] / unit - SIZE2 / 2}px`;
    attribute(this.element, "data-side", side);
  }
  /** What is at hand, if it is of this side and of the very state that is shown. */
  #fitting(side, generation) {
    const known = this.#known;
    return known?.message.side === side && known.message.generation === generation ? known : null;
  }
  #want(side, [x, y], half, draft) {
    const reach2 = Math.ceil(half * (1 + 2 * AROUND));
    const { fit } = this.#bench.frames[side];
    if (!fit) return;
    const [height, width] = fit.message.frame;
    const span = (middle, length) => {
      const from = Math.max(0, Math.floor(middle) - reach2);
      return [from, Math.min(length, Math.floor(middle) + reach2 + 1) - from];
    };
    const [x0, across] = span(x, width);
    const [y0, down] = span(y, height);
    if (across > 0 && down > 0) this.#ask({ x0, y0, width: across, height: down, before: side === "before", draft });
  }
  async #accept(told, buffer) {
    if (told?.kind !== "lens" || !buffer || !this.#on) return;
    const message = told;
    const [height, width] = message.size;
    const image = await createImageBitmap(imageData(buffer, width, height));
    this.#known?.image.close();
    this.#known = { message, image };
    this.paint();
  }
};
function covers2(known, [x, y], half, [width, height]) {
  return known.x0 <= Math.max(0, x - half) && known.y0 <= Math.max(0, y - half) && known.x0 + known.width >= Math.min(width, x + half) && known.y0 + known.height >= Math.min(height, y + half);
}
function wholePixels(way) {
  way.e = Math.round(way.e);
  way.f = Math.round(way.f);
  return way;
}

// ../panels/viewer/mask.ts
var MaskLayer = class {
  #picture = new Image();
  #changed;
  /** `changed` is called when a picture has come. */
  constructor(changed) {
    this.#changed = changed;
    this.#picture.addEventListener("load", () => this.#changed());
  }
  paint({ context, view }, { picture, place }) {
    if (!picture || !place) return;
    if (this.#picture.src !== picture) this.#picture.src = picture;
    if (!this.#picture.complete || !this.#picture.naturalWidth) return;
    const [x, y] = view.toStage(0, 0);
    context.save();
    context.transform(view.zoom, 0, 0, view.zoom, x, y);
    context.transform(...place);
    context.imageSmoothingEnabled = true;
    context.drawImage(this.#picture, 0, 0);
    context.restore();
  }
};

// ../panels/viewer/words.ts
var POINT = "Point at the picture to read its values.";
function emptyWords({ opening, stack }) {
  if (opening) return `Opening ${opening}…`;
  return stack ? "Measuring; the first picture is on its way…" : "Open a stack, and it is shown here.";
}
function badgeWords(bench, message) {
  const state = bench.state;
  const words = [];
  if (state.opening) words.push(`opening ${state.opening}`);
  else if (message.draft) words.push("draft");
  else if (state.busy) words.push("working");
  if (state.layers?.offered && state.layers.shown !== "both") {
    const layer = state.layers.shown === "stars" ? "stars alone" : "starless layer";
    words.push(isPlace(state.layers.before) ? `${layer}, before step ${state.layers.before + 1}` : layer);
  }
  if (isPlace(state.frame_of)) {
    const inside = state.frame_of < (state.steps?.length ?? 0);
    words.push(inside ? `frame before step ${state.frame_of + 1}` : "frame after all steps");
  }
  if (bench.frames.before.fit && !lineUp(bench.frames)) words.push("before: nothing tells where it lies");
  else if (bench.held) words.push(`before: ${compareWords(state)[0]}`);
  return words;
}
var shownSides = (bench) => bench.sides.map(({ side }) => side);
function pictureWords(bench, badges, exact) {
  const { view } = bench;
  const seen = view.visible();
  if (!seen) return "no picture yet";
  const rows = `columns ${seen.x0} to ${seen.x0 + seen.width}, rows ${seen.y0} to ${seen.y0 + seen.height}`;
  const { width, height } = view.frame;
  const parts = [
    `Picture of ${width} by ${height} pixels, ${view.fitted ? "the whole frame" : rows} at ${view.words}`,
    exact && "exact pixels",
    shownSides(bench).some((side) => bench.frames[side].fit?.message.linear) && (bench.state.brightened === false ? "linear light as it is" : "linear light, brightened for the screen only"),
    badges.join(", ") || "settled"
  ];
  if (bench.divided) {
    const [left, right] = compareWords(bench.state);
    parts.push(`left of the divider ${left}, right of it ${right}`);
  }
  return parts.filter(Boolean).join("; ");
}
function readoutWords({ x, y, linear, display, sky, star, names = [] }, words) {
  const channels = (values) => {
    const names2 = values.length === 3 ? ["R ", "G ", "B "] : values.map(() => "");
    return values.map((value, i) => names2[i] + plainNumber(value, 4)).join("  ");
  };
  const where = [`${words}column ${x}, row ${y}`];
  if (sky) where.push(sky);
  if (star) where.push(`star FWHM ${plainNumber(star.fwhm_px)} px, ${plainNumber(star.distance)} px away`);
  const what = [];
  if (linear) what.push(`linear ${channels(linear)}`);
  if (display) what.push(`display ${channels(display)}`);
  return [where, what, names].map((parts) => parts.join("  ·  ")).filter(Boolean).join("\n");
}

// ../panels/viewer/readout.ts
var NEAR = 7;
var Readout = class {
  element = make("p", { class: "wt-readout wt-figures" }, POINT);
  #bench;
  #ask;
  #pointed = null;
  // place on the stage, and words before its values
  #pixel = null;
  constructor(bench) {
    this.#bench = bench;
    this.#ask = newestOnly((pixel) => this.#values(pixel));
  }
  forget() {
    this.#ask.forget();
  }
  point(place) {
    this.#pointAt(place, "");
  }
  pointMiddle() {
    const { width, height } = this.#bench.view.stage;
    this.#pointAt([width / 2, height / 2], "middle: ");
  }
  /** The picture under the pointer is another one. */
  again() {
    if (this.#pointed) this.#pointAt(...this.#pointed);
  }
  /** A new frame has come for this side. */
  arrived(side) {
    const { fit } = this.#bench.frames[side];
    if (!fit?.message.draft && this.#pixel?.side === side) this.#ask(this.#pixel);
  }
  /** Read the side that lies there, in pixels of its own frame. */
  #pointAt(place, words) {
    const { view, frames } = this.#bench;
    this.#pointed = place && [place, words];
    const pixel = place && view.known ? this.#pixelAt(place, words) : null;
    if (!pixel) {
      this.#pixel = null;
      this.element.textContent = POINT;
      return;
    }
    if (samePixel(this.#pixel, pixel)) return;
    this.#pixel = pixel;
    if (frames[pixel.side].fit?.message.draft)
      this.element.textContent = `${pixel.words}column ${pixel.x}, row ${pixel.y} · values follow`;
    else this.#ask(pixel);
  }
  #pixelAt([left, top], words) {
    const { view, frames, sides } = this.#bench;
    const side = sides.find(({ from, to }) => left >= from && left < to)?.side ?? "now";
    const { fit } = frames[side];
    if (!fit) return null;
    const [height, width] = fit.message.frame;
    const place = through(wayToShown(frames, side).inverse(), ...view.toFrame(left, top));
    const [x, y] = place.map(Math.floor);
    if (x < 0 || y < 0 || x >= width || y >= height) return null;
    return { x, y, side, words: side === "before" ? `${words}before: ` : words };
  }
  async #values(pixel) {
    const { x, y, side, words } = pixel;
    try {
      const near = Math.max(NEAR * this.#bench.unit / this.#bench.view.zoom, 1);
      const value = await ask(this.#bench.model, "probe", { y, x, before: side === "before", near }, { patience: 20 });
      if (samePixel(this.#pixel, pixel)) this.element.textContent = readoutWords(value, words);
    } catch {
      this.element.textContent = `${words}column ${x}, row ${y}`;
    }
  }
};
var samePixel = (one, other) => one?.x === other.x && one?.y === other.y && one?.side === other.side;

// ../panels/viewer/sky.ts
var LETTER = 12;
var EDGE = 6;
var ARROW = 34;
var CORNER = [58, 118];
var LONGEST = 0.22;
var LENGTHS = [1 / 60, 2 / 60, 5 / 60, 10 / 60, 20 / 60, 0.5, 1, 2, 5, 10, 20];
var WAYS = [
  [1, 0],
  [-1, 0],
  [0, -1],
  [0, 1],
  [1, -1],
  [1, 1],
  [-1, -1],
  [-1, 1]
];
var SkyLayer = class {
  element = makeSvg("svg", { class: "wt-sky", "aria-hidden": "true" });
  #drawn = [];
  #widths = /* @__PURE__ */ new Map();
  #pen = document.createElement("canvas").getContext("2d");
  #field = makeSvg("rect");
  #lines;
  constructor() {
    const id = freshId("sky");
    this.#lines = makeSvg("g", { "clip-path": `url(#${id})` });
    this.element.append(makeSvg("clipPath", { id }, this.#field), this.#lines, this.#names);
  }
  #names = makeSvg("g");
  /** Draw, but not where other things on the stage are; how many names have room, of how many in sight. */
  paint(view, unit, names, grid, taken) {
    if (!names && !grid && !this.#names.childNodes.length) return this.#room;
    const { x, y, zoom, stage } = view;
    const others = taken();
    const drawn = [x, y, zoom, stage.width, stage.height, unit, names, grid, String(others)];
    if (drawn.every((each, i) => each === this.#drawn[i])) return this.#room;
    this.#drawn = drawn;
    const sheet = new Sheet(view, unit, others, (text) => this.#width(text));
    if (grid) {
      sheet.north(grid);
      sheet.scale(grid);
    }
    const marks = names ? sheet.names(names) : [];
    const lines = grid ? sheet.lines(levelFor(grid, view.zoom / view.fitZoom)) : [];
    const [left, top, right, bottom] = sheet.field;
    for (const [name, value] of Object.entries({ x: left, y: top, width: right - left, height: bottom - top }))
      attribute(this.#field, name, round(value));
    this.#lines.replaceChildren(...lines);
    this.#names.replaceChildren(...sheet.fixed, ...marks);
    this.#room = sheet.room;
    return this.#room;
  }
  #room = [0, 0];
  #width(text) {
    const known = this.#widths.get(text);
    if (known !== void 0) return known;
    if (this.#pen) this.#pen.font = `600 ${LETTER}px system-ui, sans-serif`;
    const width = this.#pen?.measureText(text).width ?? text.length * LETTER / 2;
    this.#widths.set(text, width);
    return width;
  }
};
function levelFor({ levels }, nearer) {
  return levels.findLast(({ finer }) => finer <= Math.max(nearer, 1) * 1.2) ?? levels[0];
}
var Sheet = class {
  constructor(view, unit, taken, measure) {
    this.view = view;
    this.unit = unit;
    this.measure = measure;
    this.#taken = [...taken];
    this.field = [...this.#at(-0.5, -0.5), ...this.#at(view.frame.width - 0.5, view.frame.height - 0.5)];
    this.#width = view.stage.width / unit;
    this.#height = view.stage.height / unit;
  }
  view;
  unit;
  measure;
  fixed = [];
  room = [0, 0];
  /** Of the picture on the stage. */
  field;
  #taken;
  #width;
  #height;
  #at(x, y) {
    const [sx, sy] = this.view.toStage(x + 0.5, y + 0.5);
    return [sx / this.unit, sy / this.unit];
  }
  /** Whether a box lies on the stage, or in a part of it, and on nothing else. */
  #free([left, top, right, bottom], within = [0, 0, this.#width, this.#height]) {
    const [l, t, r, b] = within;
    if (left < l + EDGE || top < t + EDGE || right > r - EDGE || bottom > b - EDGE) return false;
    return !this.#taken.some(([a, c, d, e]) => left < d && right > a && top < e && bottom > c);
  }
  #inSight([x, y]) {
    return x > 0 && y > 0 && x < this.#width && y < this.#height;
  }
  /** Words in a box, which is taken from then on. */
  #write(box, text, kind = "") {
    this.#taken.push(box);
    const [left, top, right, bottom] = box;
    const place = { x: round((left + right) / 2), y: round((top + bottom) / 2 + 0.36 * LETTER) };
    return makeSvg("text", { ...place, "text-anchor": "middle", class: kind || null }, text);
  }
  names(marks) {
    const made2 = [];
    let inSight = 0;
    let named = 0;
    for (const [text, x, y, long, short, angle] of marks) {
      const at = this.#at(x, y);
      if (!this.#inSight(at)) continue;
      inSight += 1;
      const zoom = this.view.zoom / this.unit;
      const axes = [long * zoom / 2, short * zoom / 2];
      const box = this.#roomFor(text, at, axes, angle);
      if (!box) continue;
      named += 1;
      made2.push(long > 0 ? ellipse(at, axes, angle) : tick(at, box), this.#write(box, text));
    }
    this.room = [named, inSight];
    return made2;
  }
  #roomFor(text, [x, y], axes, angle) {
    const [w, h] = [this.measure(text), 1.25 * LETTER];
    for (const far of [1, 1.4]) {
      for (const [dx, dy] of WAYS) {
        const gap = Math.max(reach(axes, angle, dx, dy), axes[0] > 0 ? 0.6 * LETTER : LETTER) + 0.6 * LETTER;
        const d = gap * far * (dx && dy ? 0.75 : 1);
        const box = around(x + dx * (d + w / 2), y + dy * (d + h / 2), w, h);
        if (this.#free(box)) return box;
      }
    }
    const inside = around(x, y, w, h);
    return 2 * axes[0] > 2 * w && this.#free(inside) ? inside : null;
  }
  lines(level) {
    const made2 = [];
    const labelled = /* @__PURE__ */ new Set();
    for (const [text, points] of level?.lines ?? []) {
      const places = points.map(([x, y]) => this.#at(x, y));
      made2.push(
        makeSvg("path", { class: "wt-sky-line", d: `M${places.map((at) => at.map(round).join(" ")).join("L")}` })
      );
      if (labelled.has(text)) continue;
      const box = this.#roomOn(places, text);
      if (!box) continue;
      labelled.add(text);
      made2.push(this.#write(box, text, "wt-sky-value"));
    }
    return made2;
  }
  /** Just inside the stage, where a line enters it. */
  #roomOn(places, text) {
    const [w, h] = [0.9 * this.measure(text), 1.1 * LETTER];
    const [l, t, r, b] = this.field;
    const within = [Math.max(l, 0), Math.max(t, 0), Math.min(r, this.#width), Math.min(b, this.#height)];
    for (let i = 1; i < places.length; i += 1) {
      const [[xa, ya], [xb, yb]] = [places[i - 1], places[i]];
      const steps = Math.min(Math.ceil(Math.hypot(xb - xa, yb - ya) / 8), 200);
      for (let k = 0; k < steps; k += 1) {
        const box = around(xa + (xb - xa) * k / steps, ya + (yb - ya) * k / steps, w, h);
        if (this.#free(box, within)) return box;
      }
    }
    return null;
  }
  /** Arrows to north and east at the lower left, as they point in the middle of the frame. */
  north({ north, east }) {
    const [x, y] = [CORNER[0], this.#height - CORNER[1]];
    for (const [letter, [dx, dy]] of [
      ["N", north],
      ["E", east]
    ]) {
      const tip = [x + ARROW * dx, y + ARROW * dy];
      const barb = (side) => `${round(tip[0] - 8 * dx - side * dy)} ${round(tip[1] - 8 * dy + side * dx)}`;
      const end = tip.map(round).join(" ");
      const d = `M${round(x)} ${round(y)}L${end}M${barb(4)}L${end}L${barb(-4)}`;
      const at = [x + (ARROW + 11) * dx, y + (ARROW + 11) * dy];
      this.fixed.push(makeSvg("path", { d }), this.#write(around(...at, this.measure(letter), LETTER), letter));
    }
    this.#taken.push([x - ARROW, y - ARROW, x + ARROW, y + ARROW]);
  }
  /** A bar of a round length beside the arrows. */
  scale({ scale }) {
    const degree = this.view.zoom / scale / this.unit;
    const length = LENGTHS.findLast((each) => each * degree <= LONGEST * this.#width);
    if (length === void 0) return;
    const text = length >= 1 ? `${length}°` : `${Math.round(60 * length)}'`;
    const [x, y, px] = [CORNER[0] + ARROW + 30, this.#height - CORNER[1] + ARROW, length * degree];
    this.fixed.push(
      makeSvg("path", { d: `M${x} ${round(y - 4)}v8M${x} ${round(y)}h${round(px)}m0 -4v8` }),
      this.#write(around(x + px / 2, y - 0.9 * LETTER, this.measure(text), LETTER), text)
    );
    this.#taken.push([x, y - 5, x + px, y + 5]);
  }
};
var round = (value) => Math.round(10 * value) / 10;
var around = (x, y, w, h) => [x - w / 2, y - h / 2, x + w / 2, y + h / 2];
function reach([a, b], angle, dx, dy) {
  if (Math.min(a, b) <= 0) return 0;
  const turn = Math.atan2(dy, dx) - angle * Math.PI / 180;
  return a * b / Math.hypot(b * Math.cos(turn), a * Math.sin(turn));
}
function ellipse([x, y], [a, b], angle) {
  const least = 0.6 * LETTER;
  const size = { rx: round(Math.max(a, least)), ry: round(Math.max(b, least)) };
  return makeSvg("ellipse", { ...size, transform: `translate(${round(x)} ${round(y)}) rotate(${angle})` });
}
function tick([x, y], [left, top, right, bottom]) {
  const [tx, ty] = [Math.min(Math.max(x, left), right) - x, Math.min(Math.max(y, top), bottom) - y];
  const away = Math.hypot(tx, ty) || 1;
  const [near, far] = [4 / away, 0.85];
  return makeSvg("path", {
    d: `M${round(x + near * tx)} ${round(y + near * ty)}L${round(x + far * tx)} ${round(y + far * ty)}`
  });
}

// ../panels/viewer/view.ts
var CLOSEST = 8;
var LADDER = [1 / 16, 1 / 8, 1 / 4, 1 / 2, 1, 2, 4, CLOSEST];
var View = class {
  stage = { width: 1, height: 1, margin: 0 };
  frame = { width: 0, height: 0 };
  zoom = 1;
  x = 0;
  // frame place at the stage's top left corner
  y = 0;
  fitted = true;
  get known() {
    return this.frame.width > 0;
  }
  /** The whole frame inside the mat; a small frame is enlarged by a whole number, so that its pixels are crisp. */
  get fitZoom() {
    const { width, height, margin } = this.stage;
    const across = Math.max(width - 2 * margin, 16) / (this.frame.width || 1);
    const down = Math.max(height - 2 * margin, 16) / (this.frame.height || 1);
    const most = Math.min(across, down);
    return most < 1 ? most : Math.min(Math.floor(most), CLOSEST);
  }
  setStage(width, height, margin) {
    const middle = this.toFrame(this.stage.width / 2, this.stage.height / 2);
    this.stage = { width, height, margin };
    this.centreOn(...middle);
  }
  setFrame(width, height) {
    this.frame = { width, height };
    this.settle();
  }
  fit() {
    this.fitted = true;
    this.settle();
  }
  /** Keep the picture on the stage: centred where it is smaller, without a gap beyond the mat where it is larger. */
  settle() {
    if (this.fitted) this.zoom = this.fitZoom;
    this.x = this.#inside(this.x, this.frame.width, this.stage.width);
    this.y = this.#inside(this.y, this.frame.height, this.stage.height);
  }
  #inside(start, frame, stage) {
    const shown2 = stage / this.zoom;
    const mat = this.stage.margin / this.zoom;
    if (frame + 2 * mat <= shown2) return (frame - shown2) / 2;
    return clamp(start, -mat, frame + mat - shown2);
  }
  toStage(x, y) {
    return [(x - this.x) * this.zoom, (y - this.y) * this.zoom];
  }
  toFrame(x, y) {
    return [this.x + x / this.zoom, this.y + y / this.zoom];
  }
  /** Zoom so that what lies at stage place (x, y) stays there. */
  zoomAround(zoom, x, y) {
    const [fx, fy] = this.toFrame(x, y);
    this.zoom = clamp(zoom, this.fitZoom, CLOSEST);
    this.fitted = this.zoom <= this.fitZoom * 1.001;
    this.x = fx - x / this.zoom;
    this.y = fy - y / this.zoom;
    this.settle();
  }
  panBy(dx, dy) {
    this.x -= dx / this.zoom;
    this.y -= dy / this.zoom;
    this.settle();
  }
  centreOn(x, y) {
    this.x = x - this.stage.width / 2 / this.zoom;
    this.y = y - this.stage.height / 2 / this.zoom;
    this.settle();
  }
  /** The next rung up (+1) or down (-1): the fit view, then round ratios. */
  rung(direction, from = this.zoom) {
    const rungs = [this.fitZoom, ...LADDER.filter((z) => z > this.fitZoom * 1.01)];
    const next = direction > 0 ? rungs.find((z) => z > from * 1.01) : rungs.findLast((z) => z < from * 0.99);
    return next ?? (direction > 0 ? CLOSEST : this.fitZoom);
  }
  /** The frame pixels on the stage as whole rows and columns, or null. */
  visible(frame = this.frame) {
    const [left, top] = this.toFrame(0, 0);
    const [right, bottom] = this.toFrame(this.stage.width, this.stage.height);
    const x0 = clamp(Math.floor(left), 0, frame.width);
    const y0 = clamp(Math.floor(top), 0, frame.height);
    const x1 = clamp(Math.ceil(right), 0, frame.width);
    const y1 = clamp(Math.ceil(bottom), 0, frame.height);
    return x1 > x0 && y1 > y0 ? { x0, y0, width: x1 - x0, height: y1 - y0 } : null;
  }
  get words() {
    if (this.fitted) return `fit · ${plainNumber(this.zoom * 100, 3)} %`;
    const ratio = LADDER.find((z) => Math.abs(z / this.zoom - 1) < 5e-3);
    if (ratio) return ratio >= 1 ? `${ratio}:1` : `1:${1 / ratio}`;
    return `${plainNumber(this.zoom * 100, 3)} %`;
  }
};
function glider(view, there, changed) {
  let goal = null;
  let frame = 0;
  const step = () => {
    frame = 0;
    if (!goal) return;
    const ratio = goal.zoom / view.zoom;
    const arrived = wantsCalm() || Math.abs(Math.log(ratio)) < 4e-3;
    view.zoomAround(arrived ? goal.zoom : view.zoom * ratio ** 0.35, goal.x, goal.y);
    if (arrived) goal = null;
    else frame = there.requestAnimationFrame(step);
    changed();
  };
  return {
    to(zoom, x = view.stage.width / 2, y = view.stage.height / 2) {
      goal = { zoom: clamp(zoom, view.fitZoom, CLOSEST), x, y };
      if (!frame) frame = there.requestAnimationFrame(step);
    },
    stop() {
      there.cancelAnimationFrame(frame);
      frame = 0;
      goal = null;
    },
    get goal() {
      return goal?.zoom ?? view.zoom;
    },
    get moving() {
      return goal !== null;
    }
  };
}

// ../panels/viewer/picture.ts
var MAT = 14;
var widths = /* @__PURE__ */ new WeakMap();
var PictureBench = class {
  constructor(model, { root, signal }, again = null) {
    this.model = model;
    this.again = again;
    this.root = root;
    this.signal = signal;
    this.unit = this.window.devicePixelRatio || 1;
    this.act = actor(model, this.status);
    this.glide = glider(this.view, this.window, () => this.moved());
    this.frames = new Frames(
      (side, kind) => this.#arrived(side, kind),
      (text) => this.status.fail(text)
    );
    this.tools = new Tools(this);
    this.readout = new Readout(this);
    this.closeUps = new CloseUps(this);
    this.magnifier = new Magnifier(this);
    this.#wantWidth = whenQuiet(() => this.#askWidth(), 180);
    this.parts = layOut(this);
    this.#listen();
  }
  model;
  again;
  panning = false;
  divider = 0.5;
  held = false;
  #peeking = false;
  // "before" is borrowed for a held key; there is no divider
  #frame = 0;
  #painted = { now: 0, before: 0 };
  root;
  signal;
  status = statusLine();
  view = new View();
  act;
  glide;
  frames;
  tools;
  readout;
  closeUps;
  magnifier;
  sky = new SkyLayer();
  parts;
  /** One CSS pixel in device pixels. */
  unit = 1;
  #wantWidth;
  #mat = "#312e2a";
  get state() {
    return this.model.get("state") ?? {};
  }
  /** Where it is seen: its pixels, its moments to paint. */
  get window() {
    return windowOf(this.root);
  }
  focus() {
    this.parts.stage.focus({ preventScroll: true });
  }
  // -- listening ---------------------------------------------------------------------------------
  #listen() {
    const { model, signal } = this;
    watchState(model, () => this.#stateChanged(), signal);
    watchMessages(model, (message, buffers) => this.frames.accept(message ?? {}, buffers?.[0]), signal);
    listenToWheel(this, signal);
    listenToPointers(this, signal);
    listenToKeys(this, signal);
    this.#watchSize();
    signal.addEventListener("abort", () => this.#close(), { once: true });
    this.#stateChanged();
    ask(model, "hello").catch((error) => this.status.fail(error));
  }
  #close() {
    this.window.cancelAnimationFrame(this.#frame);
    this.#widths.seen.delete(this);
    for (const other of this.#widths.seen.keys()) other.#wantWidth();
    this.glide.stop();
    for (const asking of [this.#wantWidth, this.readout, this.closeUps]) asking.forget();
    this.frames.close();
  }
  #watchSize() {
    const observer = new this.window.ResizeObserver(([entry]) => {
      const ratio = this.window.devicePixelRatio || 1;
      const { width, height } = this.parts.stage.getBoundingClientRect();
      const size = devicePixels(entry.devicePixelContentBoxSize?.[0], width * ratio, height * ratio);
      if (size[0] < 1 || size[1] < 1) return;
      this.unit = ratio;
      this.#mat = getComputedStyle(this.parts.stage).backgroundColor;
      for (const canvas of [this.parts.picture, this.parts.marks]) [canvas.width, canvas.height] = size;
      this.view.setStage(...size, MAT * ratio);
      if (this.#widths.seen.has(this)) this.#wantWidth();
      else this.#askWidth();
      this.closeUps.soon();
      this.#paint();
    });
    try {
      observer.observe(this.parts.picture, { box: "device-pixel-content-box" });
    } catch {
      observer.observe(this.parts.picture);
    }
    this.signal.addEventListener("abort", () => observer.disconnect(), { once: true });
  }
  // -- how wide the print is ----------------------------------------------------------------------
  get #widths() {
    const known = widths.get(this.model) ?? { seen: /* @__PURE__ */ new Map(), asked: 0 };
    widths.set(this.model, known);
    return known;
  }
  /** As many pixels as the fitted print has across on this screen. */
  #askWidth() {
    const { view } = this;
    const across = view.known ? view.fitZoom * view.frame.width : view.stage.width - 2 * view.stage.margin;
    const known = this.#widths;
    known.seen.set(this, Math.round(across));
    const width = Math.max(...known.seen.values());
    if (width === known.asked) return;
    known.asked = width;
    ask(this.model, "view_width", { width }).catch((error) => this.status.fail(error));
  }
  // -- before and now -----------------------------------------------------------------------------
  get comparing() {
    return (this.state.compare?.kind ?? "none") !== "none";
  }
  get divided() {
    return this.comparing && !this.#peeking;
  }
  /** What is painted now, and between which columns of the stage. */
  get sides() {
    const { width } = this.view.stage;
    const both = lineUp(this.frames);
    if (this.held && both) return [{ side: "before", from: 0, to: width }];
    const edge = this.divided && both ? Math.round(this.divider * width) : 0;
    const sides = [
      { side: "before", from: 0, to: edge },
      { side: "now", from: edge, to: width }
    ];
    return sides.filter(({ from, to }) => to > from);
  }
  /** While held, all of the picture is "before": the other side of the divider, or else the stack itself. */
  hold(down) {
    if (down === this.held) return;
    this.held = down;
    if (down && !this.comparing) {
      this.#peeking = true;
      void this.act("compare", { step: 0 });
    } else if (!down && this.#peeking) void this.act("compare", {});
    this.changed();
  }
  moveDivider(share) {
    this.divider = clamp(share, 0, 1);
    this.changed();
  }
  lookAt([x, y]) {
    const { view } = this;
    this.glide.stop();
    view.zoomAround(1, ...view.toStage(x, y));
    view.centreOn(x, y);
    this.moved();
  }
  /** Pick the point at a place on the stage, where one is shown; the same again: none. */
  pickAt([x, y]) {
    const { picked } = this.state.overlay_data ?? {};
    const found = pickable({ view: this.view, unit: this.unit }, this.state, x, y);
    const again = found && picked?.overlay === found[0] && picked.number === found[1];
    if (found && !again) void this.act("pick", { overlay: found[0], number: found[1] });
    else if (picked) void this.act("pick", {});
  }
  /** What is newly picked is brought into view. */
  #showPicked() {
    const { picked } = this.state.overlay_data ?? {};
    const which = picked ? `${picked.overlay} ${picked.number}` : "";
    if (which === this.#picked) return;
    this.#picked = which;
    if (!picked || !this.view.known) return;
    const [x, y] = this.view.toStage(picked.x + 0.5, picked.y + 0.5);
    const { width, height } = this.view.stage;
    if (x >= 0 && y >= 0 && x < width && y < height) return;
    this.view.centreOn(picked.x + 0.5, picked.y + 0.5);
    this.moved();
  }
  #picked = "";
  // -- painting -----------------------------------------------------------------------------------
  /** Paint with the next picture of the screen. */
  changed() {
    if (!this.#frame && !this.signal.aborted) this.#frame = this.window.requestAnimationFrame(() => this.#paint());
  }
  /** Zoom or place changed. */
  moved() {
    this.closeUps.soon();
    this.changed();
  }
  #arrived(side, kind) {
    if (kind === "fit") {
      this.#painted[side] += 1;
      if (this.view.known) this.closeUps.atOnce();
      else this.closeUps.soon();
      this.readout.arrived(side);
    }
    this.changed();
  }
  #stateChanged() {
    const state = this.state;
    if (!this.comparing) {
      if (!this.held) this.#peeking = false;
      this.frames.forget("before");
    }
    const { name, kind } = this.tools;
    if (this.root.dataset.tool !== name) this.tools.rect = null;
    tell(this.root, { tool: name, kind });
    this.magnifier.turn(kind === "place");
    this.parts.tools.update(state);
    this.parts.overlays.update(state);
    this.parts.layers.update(state);
    if (!this.#divided && state.divider !== void 0) this.divider = state.divider;
    this.parts.compareGroup.update(state, this.#peeking);
    if (state.message !== this.#told && state.message) this.status.fail(state.message);
    else if (state.message !== this.#told) this.status.clear();
    this.#told = state.message;
    this.#showPicked();
    this.changed();
  }
  #told = "";
  #divided = false;
  #paint() {
    this.window.cancelAnimationFrame(this.#frame);
    this.#frame = 0;
    const { view, frames } = this;
    const { fit } = frames.now;
    if (fit) this.#takeFrame(fit.message);
    const context = this.parts.picture.getContext("2d", { alpha: false });
    if (!context) return;
    context.fillStyle = this.#mat;
    context.fillRect(0, 0, view.stage.width, view.stage.height);
    const draw = (side) => drawSide(context, view, frames, side);
    if (fit) onEachSide({ context, view }, this.sides, draw);
    this.#paintMarks();
    this.#tell(fit);
    if (fit) this.readout.again();
    this.magnifier.paint();
    this.parts.map.paint();
  }
  /** Close up, the sky stays where it is when its frame becomes another one. */
  #takeFrame({ frame: [height, width], place }) {
    const { view } = this;
    const frame = String([height, width, place]);
    if (frame === this.#taken.frame) return;
    const middle = view.toFrame(view.stage.width / 2, view.stage.height / 2);
    const old = this.#taken.place;
    const way = old && place && new DOMMatrix(place).invertSelf().multiplySelf(new DOMMatrix(old));
    const seen = way ? through(way, ...middle) : middle;
    const resized = view.frame.width !== width || view.frame.height !== height;
    this.#taken = { frame, place };
    view.setFrame(width, height);
    if (!view.fitted) view.centreOn(...seen);
    if (resized) this.#wantWidth();
  }
  #taken = { frame: "", place: null };
  #masks = new MaskLayer(() => this.changed());
  #paintMarks() {
    const { view, frames, tools } = this;
    const context = this.parts.marks.getContext("2d");
    if (!context) return;
    context.clearRect(0, 0, view.stage.width, view.stage.height);
    const pen = { context, view, unit: this.unit };
    const says = view.known ? drawOverlays(pen, frames, this.state, this.sides, this.#masks) : [];
    if (view.known) says.push(...this.#paintSky());
    if (view.known) drawEdge(pen);
    if (view.known) tools.paint(pen);
    tools.handles.place();
    tools.paintHint();
    const words = says.join("\n");
    if (this.parts.legend.dataset.words !== words) {
      this.parts.legend.dataset.words = words;
      this.parts.legend.replaceChildren(...says.map((text) => make("li", {}, text)));
    }
  }
  #paintSky() {
    const { names = null, grid = null } = this.state.overlay_data ?? {};
    const taken = () => [this.parts.legend, this.parts.map.element].flatMap((each) => placeOn(this.parts.stage, each));
    const [named, inSight] = this.sky.paint(this.view, this.unit, names?.marks ?? null, grid, taken);
    return names ? [`${named} of ${inSight} names in sight have room; ${names.says}`] : [];
  }
  /** Say in words and attributes what is shown now. */
  #tell(fit) {
    const { view, frames, root } = this;
    const exact = this.closeUps.areExact("now");
    tell(root, {
      frames: this.#painted.now,
      framesBefore: this.#painted.before,
      generation: fit?.message.generation ?? "",
      draft: fit ? String(fit.message.draft) : "",
      zoom: view.known ? String(Number(view.zoom.toPrecision(5))) : "",
      exact: String(exact),
      exactBefore: String(lineUp(frames) && this.closeUps.areExact("before")),
      held: String(this.held)
    });
    this.#divided = this.divided && lineUp(frames);
    this.parts.empty.hidden = Boolean(fit);
    this.parts.empty.textContent = emptyWords(this.state);
    this.parts.handle.element.hidden = !this.#divided || this.held;
    if (this.#divided) this.parts.handle.update(this.divider, ...compareWords(this.state));
    this.parts.stage.classList.toggle("wt-fitted", view.fitted);
    this.parts.zoomWords.textContent = view.known ? view.words + (view.zoom >= 0.999 ? exact ? " exact" : " …" : "") : "";
    const draft = Boolean(fit?.message.draft) || Boolean(view.zoom >= 0.999 && frames.loupe("now")?.message.draft);
    const badges = fit ? badgeWords(this, { ...fit.message, draft }) : [];
    this.#tellBadges(badges);
    this.#tellNotes();
    attribute(this.parts.picture, "aria-label", pictureWords(this, badges, exact));
  }
  /** Alone, a side's note stands on the left; the near one gives way to the other side's. */
  #tellNotes() {
    const { linear } = this.parts;
    const spans = this.sides;
    const lit = (span) => Boolean(span && this.frames[span.side].fit?.message.linear);
    const room = (span) => span ? (span.to - span.from) / this.view.stage.width : 1;
    linear.left.update(spans[0]?.side ?? null, lit(spans[0]), room(spans[0]));
    linear.right.update(spans[1]?.side ?? null, lit(spans[1]), room(spans[1]));
  }
  #tellBadges(badges) {
    const words = badges.join("\n");
    if (this.parts.badges.dataset.words === words) return;
    this.parts.badges.dataset.words = words;
    this.parts.badges.replaceChildren(
      ...badges.map((text) => make("span", { class: "wt-chip", dataset: { badge: text } }, text))
    );
  }
};
function placeOn(stage, element) {
  if (element.hidden) return [];
  const [of, { left, top, right, bottom }] = [stage.getBoundingClientRect(), element.getBoundingClientRect()];
  return right > left ? [[left - of.left, top - of.top, right - of.left, bottom - of.top]] : [];
}
function devicePixels(exact, width, height) {
  const near = exact && Math.abs(exact.inlineSize - width) < 2 && Math.abs(exact.blockSize - height) < 2;
  return near ? [exact.inlineSize, exact.blockSize] : [Math.round(width), Math.round(height)];
}

// ../panels/viewer/page.ts
var shown = (once) => panel("viewer", "Picture", (model, mount) => {
  const again = (el) => shown(true).render({ model, el });
  return new PictureBench(model, mount, once ? null : again);
});
var page_default = shown(false);
export {
  page_default as default
};
