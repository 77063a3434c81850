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

// shared/bench.ts
var KERNEL = "wt-kernel";
var benchOf = (element) => element.closest(".wt-bench");
function onceShown(element, signal, react) {
  const observer = new ResizeObserver(() => {
    if (!element.isConnected) return;
    observer.disconnect();
    react();
  });
  observer.observe(element);
  signal.addEventListener("abort", () => observer.disconnect(), { once: true });
}

// shared/dom.ts
function make(tag, props = {}, ...children) {
  return fill(document.createElement(tag), props, children);
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

// shared/keys.ts
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

// shared/telling.ts
var SOON = 250;
function statusLine(changed = () => {
}) {
  const news = make("span", { role: "status" });
  const alarm = make("span", { role: "alert", class: "wt-alarm" });
  const element = make("p", { class: "wt-status" }, news, alarm);
  const show2 = (target, other, text) => {
    other.textContent = "";
    if (target.textContent !== text) target.textContent = text;
    changed(text !== "");
  };
  return {
    element,
    say: (text) => show2(news, alarm, text),
    fail: (error) => show2(alarm, news, error instanceof Error ? error.message : String(error)),
    clear: () => show2(news, alarm, "")
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

// shared/drawer.ts
var WORK = "wt-work";
var drawerOut = (bench) => bench.dataset.drawer ?? "";
var pull = (bench, name) => attribute(bench, "data-drawer", name ?? "");
function watchDrawers(bench, react, signal) {
  const observer = new MutationObserver(react);
  observer.observe(bench, { attributes: true, attributeFilter: ["data-drawer", "data-busy"] });
  signal.addEventListener("abort", () => observer.disconnect(), { once: true });
}

// shared/kernel.ts
var BEAT = 1300;
var PATIENCE = 1400;
var RECENT = 5 * 6e4;
var ENDED = /* @__PURE__ */ new Set(["restarting", "autorestarting", "terminating", "dead"]);
var connectionOf = (model) => model.widget_manager?.kernel ?? null;
function watchKernel(model, root, tell2, signal) {
  let condition = "hears";
  let asking = false;
  let touched = performance.now();
  const turn = (next) => {
    if (next === condition || signal.aborted) return;
    condition = next;
    root.dispatchEvent(new CustomEvent(KERNEL, { bubbles: true, detail: condition }));
    tell2(condition);
  };
  const hears = () => ask(model, "ping", {}, { patience: PATIENCE / 1e3, always: true }).then(
    () => true,
    () => false
  );
  const missed = async () => {
    const kernel2 = connectionOf(model);
    if (kernel2?.connectionStatus && kernel2.connectionStatus !== "connected") return turn("away");
    if (kernel2?.status && ENDED.has(kernel2.status)) return turn("lost");
    if (condition === "lost") return;
    turn("busy");
    if (!await answersOthers(kernel2)) return;
    turn(await hears() ? "hears" : "lost");
  };
  const beat = async () => {
    const wanted = condition !== "hears" || performance.now() - touched < RECENT;
    if (asking || !wanted || document.hidden) return;
    asking = true;
    if (await hears()) turn("hears");
    else await missed();
    asking = false;
  };
  const timer = setInterval(() => void beat(), BEAT);
  const moved = () => touched = performance.now();
  for (const name of ["pointermove", "pointerdown", "keydown", "wheel"])
    window.addEventListener(name, moved, { signal, capture: true, passive: true });
  const kernel = connectionOf(model);
  const changed = () => {
    if (kernel?.status && ENDED.has(kernel.status)) turn("lost");
  };
  kernel?.statusChanged?.connect(changed);
  signal.addEventListener(
    "abort",
    () => {
      clearInterval(timer);
      kernel?.statusChanged?.disconnect(changed);
    },
    { once: true }
  );
}
async function answersOthers(kernel) {
  if (!kernel?.requestKernelInfo) return false;
  const late = new Promise((done) => setTimeout(done, PATIENCE, false));
  const answer = kernel.requestKernelInfo().then(
    () => true,
    () => false
  );
  return Promise.race([answer, late]);
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

// shared/divider.ts
var LEAST = 220;
var PICTURE = 320;
var WIDTH = "side-width";
var FOLDED = "side-folded";
function divideRoom(root, signal) {
  const bench = benchOf(root);
  const row = bench?.querySelector(":scope > .wt-bench-row");
  const side = row?.querySelector(":scope > .wt-bench-side");
  if (!bench || !row || !side) return;
  const line = make("div", {
    class: "wt wt-room-line",
    role: "separator",
    tabindex: "0",
    "aria-orientation": "vertical",
    "aria-label": "Width of the panels beside the picture; Enter folds them",
    title: "drag to make room; double click folds the panels beside the picture and brings them back"
  });
  const isFolded = () => bench.dataset.folded !== void 0;
  const most = () => Math.max(LEAST, row.clientWidth - PICTURE);
  const widthNow = () => isFolded() ? 0 : Math.round(side.getBoundingClientRect().width);
  const told = () => {
    const [now, top] = [widthNow(), most()];
    for (const [name, value] of Object.entries({ valuemin: 0, valuemax: top, valuenow: Math.min(now, top) }))
      attribute(line, `aria-${name}`, value);
    attribute(line, "aria-valuetext", isFolded() ? "folded away" : `${now} pixels wide`);
  };
  const setWidth = (width2) => {
    const kept = Math.round(clamp(width2, LEAST, most()));
    bench.style.setProperty("--wt-side", `${kept}px`);
    remember(WIDTH, String(kept));
    told();
  };
  const fold = (on) => {
    attribute(bench, "data-folded", on);
    remember(FOLDED, on ? "yes" : null);
    told();
  };
  const drag = (event) => {
    if (!line.hasPointerCapture(event.pointerId)) return;
    const width2 = row.getBoundingClientRect().right - event.clientX;
    if (width2 < LEAST / 2) return fold(true);
    fold(false);
    setWidth(width2);
  };
  const options = { signal };
  line.addEventListener(
    "pointerdown",
    (event) => {
      line.setPointerCapture(event.pointerId);
      line.focus({ preventScroll: true });
      event.preventDefault();
    },
    options
  );
  line.addEventListener("pointermove", drag, options);
  line.addEventListener("dblclick", () => fold(!isFolded()), options);
  line.addEventListener(
    "keydown",
    (event) => {
      if (event.key === "Enter") fold(!isFolded());
      else {
        const to = slidTo(event, -widthNow(), { min: -most(), max: -LEAST, step: 16, big: 80 });
        if (to === null) return;
        fold(false);
        setWidth(-to);
      }
      event.preventDefault();
      event.stopPropagation();
    },
    options
  );
  row.insertBefore(line, side);
  signal.addEventListener("abort", () => line.remove(), { once: true });
  const width = Number(remembered(WIDTH));
  if (width) setWidth(width);
  if (remembered(FOLDED)) fold(true);
  const observer = new ResizeObserver(told);
  observer.observe(row);
  signal.addEventListener("abort", () => observer.disconnect(), { once: true });
}

// shared/room.ts
var EDGE = 12;
function scrollerOf(bench) {
  let found = null;
  for (let at = bench.parentElement; at && at !== document.body; at = at.parentElement) {
    if (/auto|scroll/.test(getComputedStyle(at).overflowY) && at.clientHeight <= window.innerHeight) found = at;
  }
  return found;
}
function keepRoom(root, signal) {
  let watched = null;
  let begun = false;
  const fit = () => {
    const bench = benchOf(root);
    if (!bench?.isConnected) return;
    const scroller = scrollerOf(bench);
    if (scroller && scroller !== watched) observer.observe(scroller);
    watched = scroller;
    const room = `${(scroller?.clientHeight ?? window.innerHeight) - EDGE}px`;
    if (bench.style.getPropertyValue("--wt-room") !== room) bench.style.setProperty("--wt-room", room);
    if (!begun) requestAnimationFrame(() => show(bench));
    begun = true;
  };
  const observer = new ResizeObserver(fit);
  observer.observe(root);
  window.addEventListener("resize", fit, { signal });
  signal.addEventListener("abort", () => observer.disconnect(), { once: true });
}
function show(bench) {
  const { top, bottom } = bench.getBoundingClientRect();
  if (top >= 0 && top < window.innerHeight && bottom > window.innerHeight - EDGE) bench.scrollIntoView({ block: "end" });
}
function wholeWindow(root, press, signal) {
  const isWhole = () => benchOf(root)?.matches(":popover-open") ?? false;
  const turn = (on) => {
    const bench = benchOf(root);
    if (!bench || on === isWhole()) return;
    if (on) {
      bench.popover = "manual";
      bench.showPopover();
    } else {
      bench.hidePopover();
      bench.popover = null;
      press.focus();
      bench.scrollIntoView({ block: "end" });
    }
    attribute(press, "aria-pressed", String(on));
    press.textContent = on ? "Back to the notebook" : "Whole window";
  };
  press.addEventListener("click", () => turn(!isWhole()), { signal });
  const back = (event) => {
    if (event.key !== "Escape" || event.defaultPrevented || !isWhole()) return;
    event.preventDefault();
    turn(false);
  };
  window.addEventListener("keydown", back, { signal });
}

// ../panels/toolbar/toolbar.ts
var KERNEL_WORDS = {
  busy: ["The kernel is busy.", "It computes a cell. What you do here waits, and is done when it is free."],
  away: ["The kernel is out of reach.", "The line to it is broken. The bench goes on when it is back."],
  lost: [
    "The kernel of this bench was stopped.",
    "What you click here is not done any more. Run the cell again, and the bench comes back as you left it."
  ]
};
var Toolbar = class {
  constructor(model, { root, signal }) {
    this.model = model;
    this.root = root;
    this.signal = signal;
    this.act = actor(model, this.status);
    this.#build();
    watchState(model, () => this.update(), signal);
    this.update();
    onceShown(root, signal, () => {
      divideRoom(root, signal);
      watchDrawers(this.bench, () => this.#enable(), signal);
      this.bench.addEventListener(WORK, (event) => this.#take(event), { signal });
    });
  }
  model;
  root;
  signal;
  act;
  #drawers = [];
  #told = "";
  #doing = 0;
  #work = null;
  // what is being measured or opened
  #stopping = false;
  status = statusLine((told) => {
    this.putAway.hidden = !told || !this.state.message;
  });
  name = make("h2", {});
  about = make("p", { class: "wt-soft" });
  remarks = make("ul", { class: "wt-remarks" });
  presses = make("div", { class: "wt-group" });
  suggest = button("Suggest a recipe", () => this.#suggest(), {
    class: "wt-button wt-main",
    title: "a recipe built from what is measured in this stack (can be undone)"
  });
  bar = make("progress", { max: 1, "aria-label": "Progress" });
  doing = make("span", {});
  stop = button("Stop", () => this.#stop(), { title: "nothing is left half-done" });
  progress = make("div", { class: "wt-row wt-progress", hidden: true }, this.bar, this.doing, this.stop);
  putAway = button("Put away", () => this.#putAway(), {
    class: "wt-button wt-quiet",
    hidden: true,
    "aria-label": "put this message away"
  });
  whole = button("Whole window", () => {
  }, {
    class: "wt-button wt-whole",
    pressed: false,
    title: "give the bench the whole window; Escape brings the notebook back"
  });
  kernel = make("div", { class: "wt-kernel wt-card", role: "alert", hidden: true });
  #condition = "hears";
  kept = make("p", { class: "wt-kept wt-soft" });
  /** What the drawers are told by; the toolbar itself where it stands alone. */
  get bench() {
    return benchOf(this.root) ?? this.root;
  }
  get state() {
    return this.model.get("state") ?? {};
  }
  #build() {
    const what = make("div", { class: "wt-what" }, this.name, this.about);
    const line = make("div", { class: "wt-row wt-told" }, this.progress, this.status.element, this.putAway, this.kept);
    this.root.append(
      make("div", { class: "wt-row wt-strip" }, make("div", { class: "wt-grow" }, what, line), this.presses),
      this.remarks,
      this.kernel
    );
    const told = (condition) => {
      this.#condition = condition;
      this.#showKernel();
    };
    watchKernel(this.model, this.root, told, this.signal);
    keepRoom(this.root, this.signal);
    wholeWindow(this.root, this.whole, this.signal);
  }
  #buildPresses(drawers) {
    const words = JSON.stringify(drawers);
    if (words === this.presses.dataset.words) return;
    this.presses.dataset.words = words;
    this.#drawers = drawers.map((drawer) => {
      const { name, words: words2, title, label } = drawer;
      const press = () => pull(this.bench, drawerOut(this.bench) === name ? null : name);
      const props = { "aria-expanded": "false", "aria-label": label || null, title, dataset: { drawer: name } };
      return [drawer, button(words2, press, props)];
    });
    const standing = (where) => this.#drawers.filter(([{ stands }]) => stands === where).map(([, each]) => each);
    this.presses.replaceChildren(
      ...standing("start"),
      this.suggest,
      ...standing("work"),
      this.whole,
      ...standing("help")
    );
  }
  async #suggest() {
    const done = await this.long("suggest", "measuring the stack, then building a recipe", true);
    if (done !== void 0) this.status.say("this is the suggested recipe; undo brings the old one back");
  }
  /** Ask for something that takes a while. */
  long(name, doing, stoppable = false) {
    return this.#follow({ doing, stoppable, done: ask(this.model, name) });
  }
  #take(event) {
    event.preventDefault();
    void this.#follow(event.detail);
  }
  /** Say that something takes a while, and what went wrong; nothing of the kind is asked for twice meanwhile. */
  async #follow({ doing, stoppable, done }) {
    this.#doing += 1;
    this.#stopping = false;
    this.#work = { doing, stoppable };
    this.status.clear();
    this.#enable();
    this.#showWork();
    attribute(this.root, "aria-busy", "true");
    attribute(this.bench, "data-busy", true);
    try {
      const value = await done;
      this.status.clear();
      return value;
    } catch (error) {
      if (this.#stopping) this.status.say("stopped: the recipe lies as it was");
      else this.status.fail(error);
      return void 0;
    } finally {
      this.#doing -= 1;
      if (!this.#doing) {
        attribute(this.root, "aria-busy", null);
        attribute(this.bench, "data-busy", null);
        this.#work = null;
      }
      this.#enable();
      this.#showWork();
    }
  }
  #stop() {
    this.#stopping = true;
    this.#showWork();
    return this.act("stop");
  }
  /** How far a file is, or that something is being measured, which cannot say how far it is. */
  #showWork() {
    const { progress } = this.state;
    const work = this.#work;
    this.progress.hidden = !progress && !work;
    this.stop.hidden = !progress && !work?.stoppable;
    this.stop.disabled = this.#stopping && !progress;
    if (progress) this.bar.value = progress.share;
    else this.bar.removeAttribute("value");
    if (progress) this.doing.textContent = `${Math.round(100 * progress.share)} % · ${progress.doing}`;
    else if (work) this.doing.textContent = this.#stopping ? "stopping…" : `${work.doing}…`;
    attribute(this.bar, "aria-valuetext", this.doing.textContent);
  }
  /** A kernel that does not hear the bench: what is the matter, what becomes of clicks, what to do. */
  #showKernel() {
    const condition = this.#condition;
    this.kernel.hidden = condition === "hears";
    attribute(this.kernel, "data-condition", condition);
    if (condition === "hears") return this.kernel.replaceChildren();
    const [head, text] = KERNEL_WORDS[condition];
    const kept = condition === "lost" && this.state.autosave ? `Your work: ${this.state.autosave}.` : "";
    this.kernel.replaceChildren(make("strong", {}, head), ...[text, kept].map((words) => make("p", {}, words)));
  }
  #enable() {
    const busy = this.#doing > 0;
    const none = !this.state.stack;
    this.suggest.disabled = busy || none;
    const out = drawerOut(this.bench);
    for (const [{ name, needs_stack, measures }, press] of this.#drawers) {
      press.disabled = none && needs_stack || busy && measures;
      attribute(press, "aria-expanded", String(name === out));
    }
  }
  #putAway() {
    this.status.clear();
    void this.act("dismiss");
  }
  update() {
    const { state } = this;
    const { stack, message } = state;
    this.#buildPresses(state.drawers ?? []);
    this.name.textContent = stack?.name ?? "No stack yet";
    this.about.textContent = stack ? [stack.size, stack.acquisition].filter(Boolean).join(" · ") : `Open the linear ${state.kinds ?? ""} file that your stacking program wrote.`;
    attribute(this.about, "title", this.about.textContent);
    this.remarks.replaceChildren(
      ...(stack?.remarks ?? []).map((text) => make("li", { class: "wt-soft" }, `Note: ${text}`))
    );
    this.#showWork();
    const told = JSON.stringify(message);
    if (told !== this.#told) {
      if (message?.kind === "error") this.status.fail(message.text);
      else if (message) this.status.say(message.text);
      else this.status.clear();
    }
    this.#told = told;
    this.kept.textContent = state.autosave ?? "";
    attribute(this.kept, "title", state.autosave);
    this.#enable();
    attribute(this.root, "data-stack", stack?.name ?? "");
  }
};

// ../panels/toolbar/page.ts
var page_default = panel(
  "toolbar",
  "Toolbar: opening and exporting",
  (model, mount) => new Toolbar(model, mount)
);
export {
  page_default as default
};
