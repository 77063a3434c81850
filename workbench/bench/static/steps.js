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
var CARDS = "wt-cards";
var UNFOLDED = "wt-unfolded";
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
var made = 0;
function freshId(word) {
  made += 1;
  return `wt-${word}-${made}-${Math.random().toString(36).slice(2, 7)}`;
}
var closest = (event, selector) => event.target instanceof Element ? event.target.closest(selector) : null;

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

// ../panels/steps/adding.ts
function makeAdding(bench) {
  const id = freshId("adding");
  const groups = make("div", { id, class: "wt-adding", hidden: true });
  const open = button("+ Add a step", () => turn(Boolean(groups.hidden)), {
    "aria-expanded": "false",
    "aria-controls": id,
    class: "wt-button wt-add"
  });
  const turn = (on) => {
    groups.hidden = !on;
    attribute(open, "aria-expanded", String(on));
  };
  onKeys(
    groups,
    {
      Escape: () => {
        turn(false);
        open.focus();
      }
    },
    bench.signal
  );
  const add = async (operation) => {
    const place = await bench.act("add", { operation: operation.id });
    if (typeof place !== "number") return;
    turn(false);
    bench.list.children[place]?.querySelector(".wt-step-title")?.focus();
    bench.status.say(`${operation.title} added as step ${place + 1}`);
  };
  const one2 = (operation) => {
    const press = button(operation.title, () => add(operation), {
      class: "wt-button wt-operation",
      dataset: { operation: operation.id }
    });
    press.disabled = !operation.fits;
    return make(
      "li",
      {},
      press,
      make("p", { class: "wt-soft" }, operation.first_line),
      operation.fits ? null : make("p", { class: "wt-reason" }, `Not now: ${operation.reason}`)
    );
  };
  let shown = "";
  return {
    element: make("div", { class: "wt-add-row" }, open, groups),
    open,
    update({ operations = [] }) {
      const words = JSON.stringify(operations);
      if (words === shown) return;
      shown = words;
      groups.replaceChildren(
        ...operations.map(
          (group) => make("section", {}, make("h3", {}, group.title), make("ul", {}, ...group.operations.map(one2)))
        )
      );
    }
  };
}

// ../panels/steps/history.ts
function makeHistory(bench) {
  const list = make("ol", { class: "wt-history", "aria-label": "What was done, the newest last" });
  const count = make("span", { class: "wt-soft" });
  const element = make("details", { class: "wt-done" }, make("summary", {}, "What was done", count), list);
  const toHere = () => {
    const here = list.querySelector("[aria-current]");
    if (here) list.scrollTop = here.offsetTop - list.clientHeight / 2;
  };
  element.addEventListener("toggle", toHere, { signal: bench.signal });
  let shown = "";
  return {
    element,
    update({ history = [], here = 0 }) {
      const words = JSON.stringify([history, here]);
      if (words === shown) return;
      shown = words;
      count.textContent = here ? ` (${here})` : "";
      element.hidden = history.length < 2;
      const held = list.contains(document.activeElement);
      list.replaceChildren(
        ...history.map((text, place) => {
          const press = button(text, () => bench.act("go_to", { place }), {
            class: "wt-line",
            title: place > here ? "make this and all before it again" : "go back to this"
          });
          attribute(press, "aria-current", place === here ? "step" : null);
          return make("li", { class: place > here ? "wt-undone" : null }, press);
        })
      );
      oneTabStop(list, bench.signal);
      toHere();
      if (held) list.querySelector("[aria-current]")?.focus();
    }
  };
}

// ../panels/steps/row.ts
var seconds = (s) => s >= 10 ? `${Math.round(s)} s` : s >= 0.1 ? `${s.toFixed(1)} s` : `${Math.max(1, Math.round(s * 1e3))} ms`;
function timeWords(spent) {
  const [measuring, drawing] = spent ?? [];
  return [measuring && `measured in ${seconds(measuring)}`, drawing && `drawn in ${seconds(drawing)}`].filter(Boolean).join(", ");
}
var StepRow = class {
  constructor(bench, card) {
    this.bench = bench;
    this.card = card;
    const heading = make("div", { class: "wt-heading" }, this.title, this.time);
    const words = make("div", { class: "wt-grow" }, heading, this.found, this.problem, this.note, this.meta);
    this.element = make(
      "li",
      { class: "wt-step" },
      make(
        "div",
        { class: "wt-step-row" },
        this.number,
        this.thumb,
        words,
        make("label", { class: "wt-on" }, this.switch, this.onWord)
      ),
      this.slot,
      this.tools
    );
    this.element.addEventListener("click", (event) => {
      if (!closest(event, "button, input, label, textarea, a, .wt-slot") && !this.card.selected)
        void this.bench.act("select", { index: this.card.index });
    });
    this.#arm();
    bench.dragging(this);
    this.update(card);
  }
  bench;
  card;
  writing = false;
  number = make("button", { type: "button", class: "wt-grip" });
  thumb = make("img", { class: "wt-thumb", alt: "" });
  title = make("button", {
    type: "button",
    class: "wt-step-title",
    on: { click: () => this.bench.act("select", { index: this.card.index }) }
  });
  found = make("p", { class: "wt-found" });
  meta = make("p", { class: "wt-meta" });
  note = make("p", { class: "wt-note" });
  problem = make("p", { class: "wt-alarm" });
  onWord = make("span", {});
  switch = make("input", {
    type: "checkbox",
    role: "switch",
    class: "wt-switch",
    on: { change: () => this.#turn() }
  });
  tools = make("div", { class: "wt-step-tools wt-group", role: "toolbar" });
  time = make("span", { class: "wt-time wt-figures" });
  up = button("↑", () => this.#move(-1), { "aria-label": "Move up", title: "move this step up" });
  down = button("↓", () => this.#move(1), { "aria-label": "Move down", title: "move this step down" });
  compare = button("Compare", () => this.bench.compareStep(this.card), {
    pressed: false,
    title: "the picture before this step, on the left of a divider"
  });
  writeNote = button("Note", () => this.#write(), { title: "write down why this step is there" });
  /** Where the settings unfold while this is the chosen step. */
  slot = make("div", { class: "wt-slot" });
  element;
  #arm() {
    this.tools.append(
      this.up,
      this.down,
      this.compare,
      this.writeNote,
      button("Copy", () => this.bench.act("duplicate", { index: this.card.index }), {
        title: "put a copy of this step behind it"
      }),
      button("Remove", () => this.bench.remove(this), { title: "take this step out (can be undone)" })
    );
    oneTabStop(this.tools, this.bench.signal);
  }
  #move(by) {
    return this.bench.move(this, this.card.index + by);
  }
  update(card) {
    this.card = card;
    const { bench } = this;
    const number = card.index + 1;
    const what = `step ${number}, ${card.title}`;
    attribute(this.element, "data-key", card.key);
    attribute(this.slot, "data-slot", card.key);
    attribute(this.element, "data-id", card.id);
    attribute(this.element, "aria-current", card.selected ? "true" : null);
    this.element.classList.toggle("wt-off", !card.on);
    this.number.textContent = String(number);
    attribute(this.number, "aria-label", `Move ${what}: drag, or arrow up and down`);
    attribute(this.number, "title", "drag to move; or arrow up and down");
    this.title.textContent = card.title;
    attribute(this.title, "aria-pressed", String(card.selected));
    attribute(this.title, "aria-label", `${number}. ${card.title}${card.on ? "" : ", off"}: show its settings`);
    this.thumb.hidden = !card.thumb;
    if (card.thumb && this.thumb.getAttribute("src") !== card.thumb) this.thumb.src = card.thumb;
    attribute(this.thumb, "alt", card.thumb ? `the picture after ${what}` : "");
    this.found.textContent = card.on ? card.found : "";
    this.problem.textContent = card.problem ?? "";
    if (!this.writing) this.note.textContent = card.note;
    const spent = (card.seconds?.[0] ?? 0) + (card.seconds?.[1] ?? 0);
    this.time.textContent = card.on && spent ? seconds(spent) : "";
    attribute(this.time, "title", timeWords(card.seconds));
    attribute(this.found, "title", card.selected ? null : card.found);
    this.meta.textContent = [
      card.on && timeWords(card.seconds),
      card.frozen && "measurements kept",
      card.layer,
      card.where,
      card.opacity
    ].filter(Boolean).join(" · ");
    this.switch.checked = card.on;
    this.onWord.textContent = card.on ? "on" : "off";
    attribute(this.switch, "aria-label", `${what} is used`);
    this.tools.hidden = !card.selected;
    attribute(this.tools, "aria-label", `What to do with ${what}`);
    this.up.disabled = card.index === 0;
    this.down.disabled = card.index === bench.state.cards.length - 1;
    const { kind, step } = bench.state.compare ?? {};
    attribute(this.compare, "aria-pressed", String(kind === "step" && step === card.index));
    this.compare.disabled = !bench.state.opened;
    if (card.selected) oneTabStop(this.tools, bench.signal);
  }
  #turn() {
    void this.bench.act("switch", { index: this.card.index, on: this.switch.checked });
  }
  #write() {
    if (this.writing) return;
    this.writing = true;
    const text = make("textarea", {
      class: "wt-input",
      rows: 2,
      "aria-label": `Why step ${this.card.index + 1} is there`
    });
    text.value = this.card.note;
    const end = (keep) => {
      if (!this.writing) return;
      this.writing = false;
      const written = text.value.trim();
      this.note.textContent = keep ? written : this.card.note;
      if (keep && written !== this.card.note) void this.bench.act("note", { index: this.card.index, text: written });
    };
    text.addEventListener("blur", () => end(true));
    text.addEventListener("keydown", (event) => {
      const { key } = event;
      if (key !== "Escape" && !(key === "Enter" && !event.shiftKey)) return;
      event.preventDefault();
      event.stopPropagation();
      end(key === "Enter");
      this.writeNote.focus();
    });
    this.note.replaceChildren(text);
    text.focus();
  }
};

// ../panels/steps/variants.ts
function makeVariants(bench) {
  const name = make("input", {
    class: "wt-input",
    type: "text",
    "aria-label": "Name of the variant",
    placeholder: "name, such as 'darker sky'",
    spellcheck: "false"
  });
  const list = make("ul", { class: "wt-variants-list" });
  const count = make("span", { class: "wt-soft" });
  const keep = async () => {
    if (await bench.act("keep_variant", { name: name.value }) !== void 0) name.value = "";
  };
  const submit = make("button", { type: "submit", class: "wt-button" }, "Keep this recipe");
  const form = make("form", { class: "wt-row" }, name, submit);
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    void keep();
  });
  let shown = "";
  return {
    element: make("details", { class: "wt-variants" }, make("summary", {}, "Variants", count), form, list),
    update(state) {
      const { variants = [], variant_pictures = {}, used = [], compare, opened } = state;
      const words = JSON.stringify([variants, variant_pictures, used, compare, opened]);
      if (words === shown) return;
      shown = words;
      count.textContent = variants.length ? ` (${variants.length})` : "";
      const focused = list.contains(document.activeElement) ? document.activeElement?.getAttribute("aria-label") : null;
      list.replaceChildren(...variants.map((variant) => one(bench, variant, state)));
      if (focused) list.querySelector(`[aria-label="${CSS.escape(focused)}"]`)?.focus();
    }
  };
}
function one(bench, variant, state) {
  const { compare, variant_pictures = {}, used = [], opened } = state;
  const compared = compare?.kind === "variant" && compare.name === variant;
  const now = used.includes(variant);
  const props = (words) => ({ "aria-label": `${words} ${variant}`, class: "wt-button wt-quiet" });
  const use = () => bench.act("use_variant", { name: variant });
  const picture = variant_pictures[variant];
  const view = picture ? make("img", { src: picture, alt: `variant ${variant}`, title: variant, on: { click: use } }) : make("div", { class: "wt-no-picture" });
  const sideBySide = button("Compare", () => bench.act("compare", compared ? {} : { variant }), {
    pressed: compared,
    ...props("compare with variant"),
    title: "this variant on the left of a divider"
  });
  sideBySide.disabled = !opened;
  const title = "make this the recipe (can be undone)";
  const press = button("Use", use, { ...props("use variant"), title });
  press.disabled = now;
  return make(
    "li",
    { dataset: { variant }, class: now ? "wt-used" : null },
    make(
      "figure",
      {},
      view,
      make("figcaption", {}, variant, now ? make("span", { class: "wt-soft" }, " · as it lies") : null)
    ),
    make(
      "div",
      { class: "wt-group" },
      press,
      sideBySide,
      button("Forget", () => bench.act("drop_variant", { name: variant }), props("forget variant"))
    )
  );
}

// ../panels/steps/recipe.ts
var RecipeCard = class {
  constructor(model, { root, signal }) {
    this.model = model;
    this.root = root;
    this.signal = signal;
    this.act = actor(model, this.status);
    this.adding = makeAdding(this);
    this.variants = makeVariants(this);
    this.history = makeHistory(this);
    root.classList.add("wt-card");
    this.scroll.append(this.empty, this.list, this.adding.element, this.variants.element, this.history.element);
    this.root.append(this.#head(), this.scroll, this.status.element);
    this.root.addEventListener(UNFOLDED, () => this.#toTheTop(), { signal });
    onceShown(root, signal, () => root.dispatchEvent(new CustomEvent(CARDS, { bubbles: true })));
    watchState(model, () => this.update(), signal);
    this.#keys();
    this.update();
  }
  model;
  rows = /* @__PURE__ */ new Map();
  root;
  signal;
  act;
  adding;
  variants;
  history;
  status = statusLine();
  list = make("ol", { class: "wt-steps-list", "aria-label": "Steps in order" });
  empty = make(
    "p",
    { class: "wt-soft wt-none" },
    "No steps yet. Add one below, or let the toolbar suggest a recipe for this stack."
  );
  title = make("input", {
    class: "wt-title",
    type: "text",
    placeholder: "Recipe without a title",
    "aria-label": "Title of the recipe",
    spellcheck: "false",
    on: { change: () => this.act("rename", { title: this.title.value.trim() }) }
  });
  undo = button("↶ Undo", () => this.act("undo"), {
    title: "take the last change back (Ctrl+Z)",
    "aria-keyshortcuts": "Control+Z"
  });
  redo = button("↷ Redo", () => this.act("redo"), {
    title: "make it again (Ctrl+Shift+Z)",
    "aria-keyshortcuts": "Control+Shift+Z"
  });
  /** Everything below the head scrolls in its own place. */
  scroll = make("div", { class: "wt-scroll" });
  #chosen = null;
  count = make("span", { class: "wt-soft wt-grow" });
  get state() {
    return this.model.get("state") ?? { cards: [] };
  }
  #head() {
    this.title.addEventListener("keydown", (event) => event.key === "Enter" && this.title.blur());
    return make(
      "div",
      { class: "wt-card-head" },
      this.title,
      make("div", { class: "wt-row" }, this.count, this.undo, this.redo)
    );
  }
  /** Ctrl+Z inside the card is about the recipe, not about the notebook's cells. */
  #keys() {
    const undo = () => this.act("undo");
    const redo = () => this.act("redo");
    onKeys(this.root, { "Ctrl+z": undo, "Ctrl+Z": redo, "Ctrl+y": redo }, this.signal);
    keepFromNotebook(this.root, ["z", "Z", "y"], this.signal);
  }
  update() {
    const { state } = this;
    const cards = state.cards ?? [];
    const focused = document.activeElement;
    const seen = new Set(cards.map((card) => card.key));
    for (const [key, row] of this.rows) {
      if (seen.has(key)) continue;
      row.element.remove();
      this.rows.delete(key);
    }
    cards.forEach((card, place) => {
      const { element } = this.#row(card);
      if (this.list.children[place] !== element) this.list.insertBefore(element, this.list.children[place] ?? null);
    });
    if (focused !== document.activeElement && focused instanceof HTMLElement && this.root.contains(focused))
      focused.focus();
    if (document.activeElement !== this.title) this.title.value = state.title ?? "";
    this.empty.hidden = cards.length > 0;
    const off = cards.filter((card) => !card.on).length;
    this.count.textContent = cards.length ? `${cards.length} step${cards.length > 1 ? "s" : ""}${off ? `, ${off} off` : ""}` : "";
    this.undo.disabled = !state.can_undo;
    this.redo.disabled = !state.can_redo;
    const { undoes = "", redoes = "" } = state;
    this.undo.textContent = undoes ? `↶ Undo: ${undoes}` : "↶ Undo";
    attribute(this.undo, "title", `take the last change back (Ctrl+Z)${undoes && `: ${undoes}`}`);
    attribute(this.redo, "title", `make it again (Ctrl+Shift+Z)${redoes && `: ${redoes}`}`);
    this.adding.update(state);
    this.variants.update(state);
    this.history.update(state);
    attribute(this.root, "data-steps", cards.length);
    this.root.dispatchEvent(new CustomEvent(CARDS, { bubbles: true }));
    const chosen = cards.find((card) => card.selected)?.key ?? null;
    if (chosen !== this.#chosen) this.#toTheTop();
    this.#chosen = chosen;
  }
  /** The chosen card, and with it its settings, begins at the top of what is seen. */
  #toTheTop() {
    const card = this.list.querySelector(":scope > [aria-current]");
    if (card) this.scroll.scrollTop += card.getBoundingClientRect().top - this.scroll.getBoundingClientRect().top;
  }
  /** The row of a card: the one that it had, or a new one. */
  #row(card) {
    const old = this.rows.get(card.key);
    old?.update(card);
    const row = old ?? new StepRow(this, card);
    this.rows.set(card.key, row);
    return row;
  }
  async move(row, to) {
    const { index, title } = row.card;
    const place = clamp(to, 0, this.state.cards.length - 1);
    if (place === index) return;
    await this.act("move", { index, to: place });
    if (document.activeElement === document.body || document.activeElement?.matches(":disabled")) row.number.focus();
    if (row.card.index === place) this.status.say(`${title} is step ${place + 1} now`);
  }
  async remove(row) {
    const { index, title } = row.card;
    await this.act("remove", { index });
    if (row.element.isConnected) return;
    const next = [...this.rows.values()].find(
      (other) => other.card.index === Math.min(index, this.state.cards.length - 1)
    );
    (next?.title ?? this.adding.open).focus();
    this.status.say(`${title} is out; undo brings it back`);
  }
  compareStep({ index }) {
    const { kind, step } = this.state.compare ?? {};
    void this.act("compare", kind === "step" && step === index ? {} : { step: index });
  }
  /** A step is dragged by its number; its place is where its middle is when it is let go. */
  dragging(row) {
    const { signal } = this;
    const grip = row.number;
    let start = null;
    const rowsNow = () => [...this.list.querySelectorAll(":scope > li")];
    const target = (y) => {
      const others = rowsNow().filter((element) => element !== row.element);
      const above = others.findIndex((element) => y < element.getBoundingClientRect().top + element.offsetHeight / 2);
      return above < 0 ? others.length : above;
    };
    const end = () => {
      start = null;
      row.element.style.translate = "";
      for (const element of rowsNow()) element.classList.remove("wt-dragged", "wt-drop-above", "wt-drop-below");
    };
    grip.addEventListener(
      "pointerdown",
      (event) => {
        if (event.button !== 0) return;
        grip.setPointerCapture(event.pointerId);
        start = { y: event.clientY, to: row.card.index };
      },
      { signal }
    );
    grip.addEventListener(
      "pointermove",
      (event) => {
        if (!start) return;
        const by = event.clientY - start.y;
        if (!row.element.classList.contains("wt-dragged") && Math.abs(by) < 5) return;
        row.element.classList.add("wt-dragged");
        row.element.style.translate = `0 ${by}px`;
        const to = target(event.clientY);
        start.to = to;
        const others = rowsNow().filter((element) => element !== row.element);
        others.forEach((element, place) => {
          element.classList.toggle("wt-drop-above", place === to);
          element.classList.toggle("wt-drop-below", place === others.length - 1 && to === others.length);
        });
      },
      { signal }
    );
    grip.addEventListener(
      "pointerup",
      () => {
        const dropped = start && row.element.classList.contains("wt-dragged") ? start.to : null;
        const clicked = start && dropped === null;
        end();
        if (dropped !== null) void this.move(row, dropped);
        else if (clicked && !row.card.selected) void this.act("select", { index: row.card.index });
      },
      { signal }
    );
    grip.addEventListener("pointercancel", end, { signal });
    grip.addEventListener("lostpointercapture", end, { signal });
    onKeys(
      grip,
      {
        ArrowUp: () => this.move(row, row.card.index - 1),
        ArrowDown: () => this.move(row, row.card.index + 1),
        Home: () => this.move(row, 0),
        End: () => this.move(row, this.state.cards.length - 1),
        Enter: () => this.act("select", { index: row.card.index }),
        Escape: () => start ? end() : false
      },
      signal
    );
  }
};
function keepFromNotebook(root, keys, signal) {
  const ours = (event) => {
    if ((event.ctrlKey || event.metaKey) && keys.includes(event.key) && event.target instanceof Node && root.contains(event.target) && !isTyping(event.target)) {
      attribute(root, "data-lm-suppress-shortcuts", "true");
    }
  };
  window.addEventListener("keydown", ours, { capture: true, signal });
}

// ../panels/steps/page.ts
var page_default = panel("steps", "Recipe", (model, mount) => new RecipeCard(model, mount));
export {
  page_default as default
};
