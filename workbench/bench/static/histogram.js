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

// shared/model.ts
function watchState(model, react, signal) {
  model.on("change:state", react);
  signal.addEventListener("abort", () => model.off("change:state", react), { once: true });
}

// shared/remembered.ts
var PREFIX = "post-stack-workbench.";
function remembered(name) {
  try {
    return localStorage.getItem(PREFIX + name);
  } catch {
    return null;
  }
}
function remember(name, value) {
  try {
    if (value === null) localStorage.removeItem(PREFIX + name);
    else localStorage.setItem(PREFIX + name, value);
  } catch {
  }
}

// shared/telling.ts
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

// ../panels/histogram/held.ts
var Held = class {
  /** As it is in the hand; null where the kernel's is shown. */
  value = null;
  #released = false;
  // let go, and the kernel does not show it yet
  #plot;
  #plain;
  #set;
  /** `plain` makes of a value what the setting holds. */
  constructor(plot, plain = (value) => value) {
    this.#plot = plot;
    this.#plain = plain;
    this.#set = newestOnly((move) => this.#tell(move));
    plot.signal.addEventListener("abort", () => this.#set.forget());
  }
  /** Move it; of several in a moment the kernel is told the newest. */
  move(value, setting) {
    this.#give({ live: true, value, setting });
  }
  /** Let it go: where it was moved to, or with another value. */
  release(setting, value = this.#released ? null : this.value) {
    if (setting && value !== null) this.#give({ live: false, value, setting });
  }
  #give(move) {
    this.value = move.value;
    this.#released = !move.live;
    this.#set(move);
  }
  async #tell({ live, value, setting }) {
    const { model, status } = this.#plot;
    const changes = { [setting.name]: this.#plain(value) };
    try {
      await ask(model, "set", { index: setting.index, live, ...changes }, { patience: 30 });
      status.clear();
    } catch (error) {
      status.fail(error);
      if (live) return;
      this.value = null;
      this.#plot.update();
    }
  }
  /** It stays in the hand until the kernel shows what was let go, or has no such setting any more. */
  shown(value) {
    if (value === null || this.#released && JSON.stringify(value) === JSON.stringify(this.value)) this.value = null;
  }
};

// ../panels/histogram/line.ts
var SettingLine = class {
  /** What was measured last: where the line is, its setting's zero and unit in light, the curve. */
  measured = null;
  #bench;
  #held;
  #words = make("span", { class: "wt-line-word wt-figures" });
  element = make(
    "div",
    { class: "wt-line", role: "slider", tabindex: "0", hidden: true, "aria-label": "Line" },
    this.#words
  );
  constructor(bench) {
    this.#bench = bench;
    this.#held = new Held(bench);
    this.#listen();
  }
  #listen() {
    const line = this.element;
    const on = (name, react) => line.addEventListener(name, react, { signal: this.#bench.signal });
    on("pointerdown", (event) => {
      if (!this.#movable) return;
      line.setPointerCapture(event.pointerId);
      line.focus({ preventScroll: true });
      event.preventDefault();
    });
    on("pointermove", (event) => {
      if (line.hasPointerCapture(event.pointerId)) this.#pull(event.clientX);
    });
    for (const name of ["pointerup", "pointercancel", "keyup", "blur"])
      on(name, () => this.#held.release(this.#bench.state.line));
    on("keydown", (event) => this.#press(event));
  }
  /** What moves when the line moves: a setting, and how its values lie on the light; null where nothing does. */
  get #movable() {
    const { line } = this.#bench.state;
    return line && this.measured?.perUnit ? { setting: line, ...this.measured } : null;
  }
  get #value() {
    return this.#held.value ?? this.#bench.state.line?.value ?? null;
  }
  // -- moving -------------------------------------------------------------------------------------
  #pull(clientX) {
    const moved = this.#movable;
    if (moved) this.#moveTo((this.#bench.lightAt(clientX) - moved.zero) / moved.perUnit, moved.setting);
  }
  #press(event) {
    const moved = this.#movable;
    const value = this.#value;
    if (!moved || value === null) return;
    const { min, max } = moved.setting;
    const toRight = Math.sign(moved.perUnit) || 1;
    const step = Math.max(Math.abs(value) * 0.02, 0.1);
    const signed = slidTo(event, value * toRight, {
      min: toRight > 0 ? min : -max,
      max: toRight > 0 ? max : -min,
      step
    });
    if (signed === null) return;
    event.preventDefault();
    event.stopPropagation();
    this.#moveTo(signed * toRight, moved.setting);
  }
  #moveTo(value, setting) {
    this.#held.move(Number(clamp(value, setting.min, setting.max).toPrecision(3)), setting);
    this.#bench.update();
  }
  // -- standing -----------------------------------------------------------------------------------
  stateChanged() {
    this.#held.shown(this.#bench.state.line?.value ?? null);
  }
  /** While the step is being measured anew, the last line and curve stay. */
  remember({ line, line_at: at, line_zero: zero, line_per_unit: perUnit, curve }) {
    if (at !== null && at !== void 0)
      this.measured = { at, zero: zero ?? 0, perUnit: perUnit ?? 0, curve: curve ?? null, old: false };
    else if (!line) this.measured = null;
    else if (this.measured) this.measured.old = true;
  }
  /** Put the line where it belongs; `x` leads from light to a place between `left` and `right`. */
  place(linear, x, left, right) {
    const { element, measured } = this;
    element.hidden = !linear || !measured;
    if (!linear || !measured) return;
    const { line, line_label: label = "", line_aria: aria = "" } = this.#bench.state;
    const { at, zero, perUnit, old } = measured;
    const light = this.#held.value === null && !old ? at : zero + perUnit * (this.#value ?? 0);
    const place = clamp(x(light), left, right);
    element.style.left = `${place}px`;
    element.classList.toggle("wt-near-edge", place < left + 90);
    const setting = line ? [plainNumber(this.#value), line.unit, line.words].filter(Boolean).join(" ") : "";
    this.#words.textContent = `${label} ${plainNumber(light)}`;
    attribute(element, "aria-label", aria);
    attribute(element, "aria-disabled", this.#movable ? null : "true");
    attribute(element, "aria-valuenow", plainNumber(this.#value ?? light));
    attribute(element, "aria-valuemin", line?.min ?? 0);
    attribute(element, "aria-valuemax", line?.max ?? 1);
    const says = `${label} at ${plainNumber(light)} of the white level${setting ? `, set to ${setting}` : ""}`;
    attribute(element, "aria-valuetext", says);
    element.title = setting;
  }
};

// ../panels/histogram/points.ts
var APART = 4e-3;
var STEP = 5e-3;
var CurvePoints = class {
  #bench;
  #held;
  #x = () => 0;
  #y = () => 0;
  element = make("div", { class: "wt-points", hidden: true });
  constructor(bench) {
    this.#bench = bench;
    this.#held = new Held(bench, (points) => points.map(([x, y]) => ({ x, y })));
    this.element.addEventListener("pointerdown", (event) => this.#press(event), { signal: bench.signal });
  }
  get #setting() {
    return this.#bench.state.tone ?? null;
  }
  get #points() {
    return this.#held.value ?? this.#setting?.points ?? [];
  }
  // -- moving -------------------------------------------------------------------------------------
  /** Set a point where the plot is pressed, and take it in hand. */
  #press(event) {
    const setting = this.#setting;
    if (!setting || event.target !== this.element || event.button !== 0 || this.#points.length >= setting.most) return;
    event.preventDefault();
    const [x, y] = this.#bench.valueAt(event.clientX, event.clientY);
    const points = this.#points;
    const number = points.filter(([other]) => other < x).length;
    const [low, high] = room(points, number - 1, number);
    if (high[0] < low[0]) return;
    const placed = [clamp(x, low[0], high[0]), clamp(y, low[1], high[1])];
    this.#held.move([...points.slice(0, number), rounded(placed), ...points.slice(number)], setting);
    this.#bench.update();
    const handle = this.element.querySelectorAll(".wt-point")[number];
    handle?.focus({ preventScroll: true });
    handle?.setPointerCapture(event.pointerId);
  }
  #handle(number) {
    const { signal } = this.#bench;
    const handle = make("div", { class: "wt-point", role: "button", tabindex: "0" });
    const pull = (event) => {
      if (handle.hasPointerCapture(event.pointerId))
        this.#moveTo(number, this.#bench.valueAt(event.clientX, event.clientY));
    };
    handle.addEventListener(
      "pointerdown",
      (event) => {
        handle.setPointerCapture(event.pointerId);
        handle.focus({ preventScroll: true });
        event.preventDefault();
        event.stopPropagation();
      },
      { signal }
    );
    handle.addEventListener("pointermove", pull, { signal });
    for (const name of ["pointerup", "pointercancel", "keyup"])
      handle.addEventListener(name, () => this.#held.release(this.#setting), { signal });
    handle.addEventListener("keydown", (event) => this.#key(event, number), { signal });
    return handle;
  }
  #key(event, number) {
    const by = event.shiftKey ? 10 * STEP : STEP;
    const moves = {
      ArrowLeft: [-by, 0],
      ArrowRight: [by, 0],
      ArrowUp: [0, by],
      ArrowDown: [0, -by]
    };
    const move = moves[event.key];
    if (event.key === "Delete" || event.key === "Backspace") {
      const left = this.#points.filter((_, i) => i !== number);
      this.#held.release(this.#setting, left);
      this.#bench.update();
      this.element.querySelectorAll(".wt-point")[Math.min(number, left.length - 1)]?.focus();
    } else if (move && !event.ctrlKey && !event.metaKey && !event.altKey) {
      const [x, y] = this.#points[number];
      this.#moveTo(number, [x + move[0], y + move[1]]);
    } else return;
    event.preventDefault();
    event.stopPropagation();
  }
  #moveTo(number, [x, y]) {
    const points = this.#points;
    const setting = this.#setting;
    if (!setting || number >= points.length) return;
    const [low, high] = room(points, number - 1, number + 1);
    const moved = rounded([clamp(x, low[0], high[0]), clamp(y, low[1], high[1])]);
    this.#held.move(
      points.map((point, i) => i === number ? moved : point),
      setting
    );
    this.#bench.update();
  }
  // -- standing -----------------------------------------------------------------------------------
  stateChanged() {
    this.#held.shown(this.#setting?.points ?? null);
  }
  /** Put the points where they belong; `x` and `y` lead from values 0..1 to places on the plot. */
  place(shown, x, y) {
    const setting = this.#setting;
    this.element.hidden = !shown || !setting;
    if (!shown || !setting) return;
    this.#x = x;
    this.#y = y;
    const points = this.#points;
    const handles = [...this.element.querySelectorAll(".wt-point")];
    for (const extra of handles.slice(points.length)) extra.remove();
    points.forEach(([before, after], i) => {
      const handle = handles[i] ?? this.element.appendChild(this.#handle(i));
      handle.style.left = `${this.#x(before)}px`;
      handle.style.top = `${this.#y(after)}px`;
      const says = `${setting.item} ${i + 1} of ${points.length}: ${plainNumber(before)} becomes ${plainNumber(after)}`;
      attribute(handle, "aria-label", says);
      handle.title = `${plainNumber(before)} becomes ${plainNumber(after)}; arrows move, Delete takes away`;
    });
    this.element.title = points.length ? "" : setting.help;
  }
  /** The curve and the diagonal, to be drawn. */
  drawn(x, y) {
    const setting = this.#setting;
    if (!setting) return [];
    const path = (points) => `M${points.map(([before, after]) => `${x(before).toFixed(1)} ${y(after).toFixed(1)}`).join("L")}`;
    const diagonal = [
      [0, 0],
      [1, 1]
    ];
    return [
      makeSvg("path", { class: "wt-diagonal", d: path(diagonal) }),
      makeSvg("path", { class: `wt-curve${this.#held.value ? " wt-old" : ""}`, d: path(setting.curve) })
    ];
  }
};
function room(points, before, after) {
  const left = points[before];
  const right = points[after];
  return [left ? [left[0] + APART, left[1]] : [0, 0], right ? [right[0] - APART, right[1]] : [1, 1]];
}
var rounded = ([x, y]) => [Number(x.toFixed(4)), Number(y.toFixed(4))];

// ../panels/histogram/plot.ts
var PLOT = { left: 12, right: 12, top: 24, bottom: 24 };
var NARROW = 340;
var FOLDED = "histogram-folded";
var LOG_FLOOR = 0.6;
function heights(counts, log) {
  const size = log ? (count) => Math.max(Math.log(count / LOG_FLOOR), 0) : (count) => count;
  const inner = counts.flatMap((channel) => channel.slice(1, -1));
  const top = size(inner.reduce((a, b) => Math.max(a, b), 1)) || 1;
  return counts.map((channel) => channel.map((count) => Math.min((count > 0 ? size(count) : 0) / top, 1)));
}
function ticks(low, top) {
  const rough = (top - low) / 5;
  const power = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5, 10].map((m) => m * power).find((s) => s >= rough) ?? rough;
  const [first, last] = [Math.ceil(low / step - 1e-9), Math.floor(top / step + 1e-9)];
  return Array.from({ length: last - first + 1 }, (_, i) => (first + i) * step);
}
var channelNames = (count) => count === 3 ? ["R", "G", "B"] : ["L"];
var HistogramPlot = class {
  constructor(model, { root, signal }) {
    this.model = model;
    this.signal = signal;
    this.line = new SettingLine(this);
    this.points = new CurvePoints(this);
    this.plot = make("div", { class: "wt-plot" }, this.svg, this.points.element, this.line.element);
    this.#build(root);
    watchState(model, () => this.#stateChanged(), signal);
    const observer = new ResizeObserver(() => this.update());
    observer.observe(this.plot);
    signal.addEventListener("abort", () => observer.disconnect());
    this.log = this.state.log ?? true;
    this.update();
  }
  model;
  width = 0;
  height = 0;
  log = true;
  view = "display";
  #chosen = false;
  // the person chose a view
  #range = { counts: [], low: 0, top: 1 };
  status = statusLine();
  buttons = {};
  key = make("div", { class: "wt-group wt-label" });
  svg = makeSvg("svg", { role: "img", "aria-label": "Histogram" });
  signal;
  line;
  points;
  plot;
  get state() {
    return this.model.get("state") ?? {};
  }
  #stateChanged() {
    this.line.stateChanged();
    this.points.stateChanged();
    this.update();
  }
  #build(root) {
    const views = make("div", { class: "wt-group", role: "toolbar", "aria-label": "Which values are counted" });
    for (const [name, words] of [
      ["linear", "Linear"],
      ["near", "Near the sky"],
      ["display", "Display"]
    ]) {
      this.buttons[name] = button(words, () => this.#choose(name), { pressed: false });
      views.append(this.buttons[name]);
    }
    const fold = button("▾", () => turn(root.dataset.folded === void 0), {
      class: "wt-button wt-quiet wt-fold",
      "aria-label": "Histogram",
      "aria-expanded": "true",
      title: "fold the histogram, or unfold it"
    });
    const turn = (folded) => {
      attribute(root, "data-folded", folded);
      attribute(fold, "aria-expanded", String(!folded));
      fold.textContent = folded ? "▸ Histogram" : "▾";
      remember(FOLDED, folded ? "yes" : null);
    };
    turn(remembered(FOLDED) !== null);
    this.buttons.log = button("Log counts", () => this.#turnLog(), { pressed: true });
    oneTabStop(views, this.signal);
    root.append(
      make(
        "div",
        { class: "wt-row" },
        fold,
        make("h3", {}, "Histogram"),
        views,
        this.buttons.log,
        make("span", { class: "wt-grow" }),
        this.key
      ),
      this.plot,
      this.status.element
    );
  }
  #choose(view) {
    this.#chosen = true;
    this.view = view;
    this.update();
  }
  #turnLog() {
    this.log = !this.log;
    this.update();
  }
  /** The light at a place across the page. */
  lightAt(clientX) {
    const box = this.plot.getBoundingClientRect();
    const share = (clientX - box.left - PLOT.left) / (this.width - PLOT.left - PLOT.right);
    const { low, top } = this.#range;
    return low + share * (top - low);
  }
  /** The value at a place across the page, and the share of the plot's height. */
  valueAt(clientX, clientY) {
    const box = this.plot.getBoundingClientRect();
    const bottom = box.top + this.height - PLOT.bottom;
    return [this.lightAt(clientX), (bottom - clientY) / (this.height - PLOT.top - PLOT.bottom)];
  }
  // -- drawing ------------------------------------------------------------------------------------
  update() {
    const { state } = this;
    this.width = this.plot.clientWidth;
    this.height = this.plot.clientHeight;
    const shown = { counts: state.tone?.counts ?? state.display ?? [], low: 0, top: 1 };
    const ranges = {
      linear: state.linear?.length ? { counts: state.linear, low: 0, top: state.linear_top ?? 1 } : null,
      near: state.near ?? null,
      display: shown
    };
    if (!this.#chosen) this.view = state.view ?? "display";
    const view = ranges[this.view] ? this.view : ranges.linear && this.view === "near" ? "linear" : "display";
    this.#range = ranges[view] ?? shown;
    this.line.remember(state);
    for (const name of Object.keys(ranges)) attribute(this.buttons[name], "aria-pressed", String(view === name));
    this.buttons.linear.disabled = !ranges.linear;
    this.buttons.linear.title = ranges.linear ? "all light before the stretch" : "there is no linear frame behind this view";
    this.buttons.near.disabled = !ranges.near;
    this.buttons.near.title = ranges.near ? "the light around the sky, wide enough to set black by a hair" : "no stretch has measured the sky of this view";
    attribute(this.buttons.log, "aria-pressed", String(this.log));
    if (this.width > 0) this.#draw(view, this.#range);
  }
  #draw(view, { counts, low, top }) {
    const [left, right] = [PLOT.left, this.width - PLOT.right];
    const bottom = this.height - PLOT.bottom;
    const x = (value) => left + (value - low) / (top - low) * (right - left);
    const y = (share) => bottom - share * (bottom - PLOT.top);
    const parts = [...axis(x, bottom, left, right, low, top), ...this.#captions(view, right)];
    const names = channelNames(counts.length);
    heights(counts, this.log).forEach((channel, i) => {
      const points = channel.map(
        (share, bin) => `${x(low + (bin + 0.5) / channel.length * (top - low)).toFixed(1)} ${y(share).toFixed(1)}`
      );
      parts.push(makeSvg("path", { class: "wt-counts", "data-channel": names[i] ?? "L", d: `M${points.join("L")}` }));
    });
    const { measured } = this.line;
    if (view !== "display" && measured?.curve) parts.push(...this.#curve(measured.curve, measured.old, x, y, low, top));
    if (view === "display") parts.push(...this.points.drawn(x, y));
    this.svg.replaceChildren(...parts);
    attribute(this.svg, "viewBox", `0 0 ${this.width} ${this.height}`);
    attribute(this.svg, "aria-label", this.#words(view, counts, low, top));
    this.#paintKey(names.slice(0, counts.length));
    this.line.place(view !== "display", x, left, right);
    this.points.place(view === "display", x, y);
  }
  #captions(view, right) {
    const words = {
      linear: "linear light, share of the white level",
      near: "light around the sky, share of the white level",
      display: "display value, 0 black to 1 white"
    }[view];
    const counts = this.log ? "↑ pixels, logarithmic" : "↑ pixels";
    const all = `${counts}   → ${words}`;
    const caption = this.width < NARROW ? `→ ${words}` : all;
    return [makeSvg("text", { x: right, y: PLOT.top - 9, "text-anchor": "end" }, caption)];
  }
  #curve(curve, old, x, y, low, top) {
    const shown = between(curve, low, top);
    const d = `M${shown.map(([light2, code2]) => `${x(light2).toFixed(1)} ${y(code2).toFixed(1)}`).join("L")}`;
    const [light, code] = shown[Math.floor(shown.length * 0.8)] ?? [0, 0];
    const under = Math.min(y(code) + 16, this.height - PLOT.bottom - 4);
    return [
      makeSvg("path", { class: `wt-curve${old ? " wt-old" : ""}`, d }),
      makeSvg(
        "text",
        {
          class: "wt-curve-word",
          x: Math.min(x(light), this.width - PLOT.right - 84),
          y: under,
          "text-anchor": "middle"
        },
        "stretch curve, top is white"
      )
    ];
  }
  #paintKey(names) {
    if (this.key.dataset.names === names.join()) return;
    this.key.dataset.names = names.join();
    const words = { R: "red", G: "green", B: "blue", L: "light" };
    const sample = (name) => makeSvg(
      "svg",
      { class: "wt-key", "data-channel": name, "aria-hidden": "true" },
      makeSvg("path", { d: "M0 4H26" })
    );
    this.key.replaceChildren(...names.map((name) => make("span", { class: "wt-group" }, sample(name), words[name])));
  }
  #words(view, counts, low, top) {
    const place = (bin) => low + (bin + 0.5) / 256 * (top - low);
    const most = counts.map(
      (channel) => plainNumber(place(channel.indexOf(channel.reduce((a, b) => Math.max(a, b), 0))))
    );
    const peaks = channelNames(counts.length).map((name, i) => `${name} ${most[i]}`);
    const what = view === "near" ? "linear values around the sky" : `${view} values`;
    return `Histogram of ${what} from ${plainNumber(low)} to ${plainNumber(top)}; most pixels at ${peaks.join(", ")}`;
  }
};
function between(points, low, top) {
  const at = (place) => {
    const after = points.findIndex(([x]) => x > place);
    if (after <= 0) return [];
    const [[xa, ya], [xb, yb]] = [points[after - 1], points[after]];
    return [[place, ya + (place - xa) / (xb - xa) * (yb - ya)]];
  };
  return [...at(low), ...points.filter(([x]) => x >= low && x <= top), ...at(top)];
}
function axis(x, bottom, left, right, low, top) {
  const marks = ticks(low, top).map((value) => [
    makeSvg("path", { class: "wt-axis", d: `M${x(value)} ${bottom}v5` }),
    makeSvg(
      "text",
      {
        x: x(value),
        y: bottom + 17,
        "text-anchor": x(value) > right - 12 ? "end" : x(value) < left + 12 ? "start" : "middle"
      },
      plainNumber(value)
    )
  ]);
  return [makeSvg("path", { class: "wt-axis", d: `M${left} ${bottom}H${right}` }), ...marks.flat()];
}

// ../panels/histogram/page.ts
var page_default = panel("histogram", "Histogram", (model, mount) => new HistogramPlot(model, mount));
export {
  page_default as default
};
