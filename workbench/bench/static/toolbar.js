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
function bytesWords(bytes) {
  if (bytes >= 1e9) return `${(bytes / 1e9).toFixed(1)} GB`;
  return bytes >= 1e6 ? `${Math.round(bytes / 1e6)} MB` : `${Math.max(1, Math.round(bytes / 1e3))} kB`;
}
var plainWords = (id) => id.replaceAll("_", " ");

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

// ../panels/toolbar/advice.ts
var SEVERITIES = {
  warning: ["▲", "Matters most"],
  advice: ["●", "Worth doing"],
  note: ["○", "Good to know"]
};
var AdviceDrawer = class {
  constructor(toolbar) {
    this.toolbar = toolbar;
  }
  toolbar;
  cards = make("ul", { class: "wt-advice" });
  rows = make("dl", { class: "wt-facts" });
  none = make("p", {});
  details = make("details", { open: true }, make("summary", {}, "What was measured"), this.rows);
  element = make("div", { class: "wt-checkup" }, this.none, this.cards, this.details);
  focus() {
    this.element.querySelector("button")?.focus();
  }
  async shown() {
    if (!this.toolbar.state.measured?.length) await this.toolbar.long("check", {}, "measuring the stack", true);
  }
  update({ advice = [], measured = [], placed = {} }) {
    const words = JSON.stringify([advice, measured, placed]);
    if (words === this.cards.dataset.words) return;
    this.cards.dataset.words = words;
    this.none.textContent = measured.length && !advice.length ? "Nothing stands out: this stack is ready for a recipe." : "";
    this.cards.replaceChildren(...advice.map((one, number) => this.#card(one, number, placed)));
    this.rows.replaceChildren(...measured.flatMap(([what, value]) => [make("dt", {}, what), make("dd", {}, value)]));
    this.details.hidden = !measured.length;
  }
  #card({ about, severity, says, do: todo, step }, number, placed) {
    const [sign, words] = SEVERITIES[severity] ?? SEVERITIES.note;
    return make(
      "li",
      { class: "wt-card", dataset: { severity } },
      make(
        "h3",
        {},
        make("span", { "aria-hidden": "true", class: "wt-sign" }, sign),
        ` ${about}`,
        make("span", { class: "wt-severity" }, words)
      ),
      make("p", {}, says),
      make("p", { class: "wt-todo" }, todo),
      step ? this.#press(step.do, number, placed[step.do]) : null
    );
  }
  /** Adds the step that was advised, or leads to the one that does it. */
  #press(id, number, there) {
    const { toolbar } = this;
    const words = plainWords(id);
    const add = async () => {
      const place = await toolbar.long("add_advised", { number }, `adding ${words}`, true);
      if (typeof place === "number") toolbar.status.say(`added as step ${place + 1}`);
    };
    if (there === void 0) return button(`Add this step: ${words}`, add);
    return button(`✓ Step ${there + 1} does this: show it`, () => toolbar.act("select", { index: there }));
  }
};

// ../panels/toolbar/code.ts
var CodeDrawer = class {
  constructor(toolbar) {
    this.toolbar = toolbar;
    const kinds = make(
      "div",
      { class: "wt-group", role: "toolbar", "aria-label": "What the code says" },
      this.recipe,
      this.history
    );
    oneTabStop(kinds, toolbar.signal);
    this.element = make(
      "div",
      {},
      make("div", { class: "wt-row" }, kinds, make("span", { class: "wt-grow" }), this.copied),
      this.text
    );
  }
  toolbar;
  element;
  text = make("textarea", {
    class: "wt-input wt-figures wt-code",
    readonly: true,
    rows: 12,
    "aria-label": "The session as Python",
    spellcheck: "false"
  });
  recipe = button("The recipe as it stands", () => this.#show("session_code"), { pressed: true });
  history = button("Every command so far", () => this.#show("history"), { pressed: false });
  copied = button("Copy", () => this.#copy());
  focus() {
    this.recipe.focus();
  }
  shown() {
    return this.#show("session_code");
  }
  update() {
  }
  async #show(name) {
    const text = await this.toolbar.act(name);
    if (text === void 0) return;
    this.text.value = typeof text === "string" ? text : "";
    attribute(this.recipe, "aria-pressed", String(name === "session_code"));
    attribute(this.history, "aria-pressed", String(name === "history"));
  }
  async #copy() {
    this.text.select();
    try {
      await navigator.clipboard.writeText(this.text.value);
    } catch {
      document.execCommand("copy");
    }
    this.toolbar.status.say("copied: paste it into a cell");
  }
};

// ../panels/toolbar/export.ts
var QUALITY = 92;
var joined = (folder, name) => `${folder.replace(/\/$/, "")}/${name}`;
var suffixOf = (path) => (/\.[a-z0-9]+$/i.exec(path)?.[0] ?? "").toLowerCase();
var ExportDrawer = class {
  constructor(toolbar) {
    this.toolbar = toolbar;
    this.format.addEventListener("change", () => this.#formatChosen());
    this.picture.addEventListener("input", () => this.#nameTyped());
  }
  toolbar;
  #stem = null;
  replace = make("input", { type: "checkbox" });
  format = make("select", { class: "wt-select", "aria-label": "Format of the picture" });
  quality = make("input", {
    class: "wt-input wt-figures",
    type: "number",
    min: 1,
    max: 100,
    step: 1,
    value: QUALITY,
    "aria-label": "JPEG quality, 1 to 100"
  });
  qualityLabel = make("label", { class: "wt-group wt-soft" }, "quality", this.quality);
  rows = make("div", { class: "wt-save-rows" });
  picture = this.#row(
    "Picture",
    "Save the picture",
    "save_picture",
    () => this.#options(),
    make("div", { class: "wt-group" }, this.format, this.qualityLabel),
    true
  );
  recipe = this.#row("Recipe", "Save the recipe", "save_recipe");
  record = this.#row("Run record", "Save the record", "save_record");
  sheet = this.#row(
    "Step sheet",
    "Write the sheet",
    "save_sheet",
    void 0,
    make("span", { class: "wt-soft" }, ".html is a page to read and print, .ipynb a notebook to run and teach with")
  );
  list = make("ul", { class: "wt-saved" });
  element = make(
    "div",
    {},
    this.rows,
    make("label", { class: "wt-group" }, this.replace, "replace a file that exists"),
    this.list
  );
  #row(what, words, name, options = () => ({}), more = null, main = false) {
    const path = make("input", {
      class: "wt-input wt-figures",
      type: "text",
      "aria-label": `File of the ${what.toLowerCase()}`,
      spellcheck: "false",
      autocomplete: "off"
    });
    const save = () => this.toolbar.act(name, { path: path.value.trim(), overwrite: this.replace.checked, ...options() });
    const press = button(words, save, main ? { class: "wt-button wt-main" } : {});
    path.addEventListener("keydown", (event) => event.key === "Enter" && void save());
    this.rows.append(
      make("span", { class: "wt-label" }, what),
      make("div", { class: "wt-save-file" }, path, more),
      press
    );
    return path;
  }
  #options() {
    const format = this.#format();
    if (!format) return {};
    if (format.suffix !== ".jpg") return format.options;
    return { ...format.options, quality: clamp(Math.round(this.quality.valueAsNumber) || QUALITY, 1, 100) };
  }
  #format() {
    return this.toolbar.state.formats?.[this.format.selectedIndex];
  }
  #formatChosen() {
    const suffix = this.#format()?.suffix ?? "";
    const path = this.picture.value;
    this.picture.value = (suffixOf(path) ? path.slice(0, -suffixOf(path).length) : path) + suffix;
    this.qualityLabel.hidden = suffix !== ".jpg";
  }
  #nameTyped() {
    const aliases = { ".tiff": ".tif", ".jpeg": ".jpg", ".fit": ".fits" };
    const suffix = aliases[suffixOf(this.picture.value)] ?? suffixOf(this.picture.value);
    const { formats = [] } = this.toolbar.state;
    if (this.#format()?.suffix !== suffix && formats.some((f) => f.suffix === suffix))
      this.format.selectedIndex = formats.findIndex((f) => f.suffix === suffix);
    this.qualityLabel.hidden = this.#format()?.suffix !== ".jpg";
  }
  focus() {
    this.picture.focus();
  }
  shown() {
  }
  update({ stack, formats = [], saved = [] }) {
    if (this.format.length !== formats.length)
      this.format.replaceChildren(...formats.map(({ words: words2 }) => make("option", {}, words2)));
    const words = saved.join("\n");
    if (this.list.dataset.words !== words) {
      this.list.dataset.words = words;
      this.list.replaceChildren(
        ...saved.map((path) => make("li", {}, "✓ written: ", make("span", { class: "wt-figures" }, path)))
      );
    }
    const stem = stack ? joined(stack.folder, stack.stem) : null;
    if (stem === this.#stem) return;
    this.#stem = stem;
    for (const [input, ending] of [
      [this.picture, ".picture.tif"],
      [this.recipe, ".recipe.json"],
      [this.record, ".record.json"],
      [this.sheet, ".steps.html"]
    ])
      input.value = stem ? stem + ending : "";
    this.format.selectedIndex = 0;
    this.#nameTyped();
  }
};

// ../panels/toolbar/keys.ts
var GROUPS = [
  [
    "On the picture",
    [
      ["Double click", "exact pixels there (1:1); once more: the whole frame"],
      ["Wheel, + and −", "zoom in and out"],
      ["1", "exact pixels"],
      ["0", "the whole frame"],
      ["Drag, arrows", "move; with Shift in larger steps"],
      ["B held", "the picture before"],
      ["Space held", "move while a tool is in hand"],
      ["Delete", "takes the chosen mark away"],
      ["Escape", "puts the tool down"]
    ]
  ],
  [
    "In the recipe",
    [
      ["Ctrl+Z", "takes the last change back"],
      ["Ctrl+Shift+Z, Ctrl+Y", "makes it again"],
      ["Arrow up or down on a number", "moves the step"],
      ["Home, End on a number", "moves it to the beginning, the end"],
      ["Enter on a number", "shows the settings of the step"]
    ]
  ],
  [
    "In a setting",
    [
      ["Arrows on a slider", "one step; Page up, Page down: a larger one"],
      ["Arrows in a field", "one step; with Shift: ten"],
      ["Enter", "takes what was written"],
      ["Escape", "brings the old value back"]
    ]
  ],
  [
    "Anywhere on the bench",
    [
      ["?", "this list"],
      ["Arrows in a row of buttons", "the next one; Tab goes on to the next row"],
      ["Escape", "closes what is open, then brings the notebook back from the whole window"]
    ]
  ]
];
var KeysDrawer = class {
  element = make(
    "div",
    { class: "wt-keys" },
    ...GROUPS.map(
      ([name, keys]) => make(
        "section",
        {},
        make("h3", {}, name),
        make("dl", {}, ...keys.flatMap(([key, does]) => [make("dt", {}, key), make("dd", {}, does)]))
      )
    )
  );
  shown = () => {
  };
  update = () => {
  };
};

// ../panels/toolbar/open.ts
var PIECE = 2 * 1024 * 1024;
var OpenDrawer = class {
  constructor(toolbar) {
    this.toolbar = toolbar;
    const form = make(
      "form",
      { class: "wt-row" },
      make("span", { class: "wt-label" }, "Path"),
      this.path,
      make("button", { type: "submit", class: "wt-button" }, "Open")
    );
    const openTyped = (event) => {
      event.preventDefault();
      event.stopPropagation();
      if (this.path.value.trim()) void this.open(this.path.value.trim());
    };
    form.addEventListener("submit", openTyped);
    this.path.addEventListener("keydown", (event) => event.key === "Enter" && openTyped(event));
    this.file.addEventListener("change", () => {
      const [file] = this.file.files ?? [];
      if (file) void this.upload(file);
    });
    const upload = button("Upload from this computer…", () => this.file.click(), {
      title: "send a file from the machine whose screen this is; it is stored in the folder shown"
    });
    this.element = make(
      "div",
      { class: "wt-open" },
      form,
      make("div", { class: "wt-row" }, this.where, this.up, upload, this.file, this.bar, this.stop),
      this.list,
      this.more
    );
    this.#dropping();
  }
  toolbar;
  element;
  #uploading = null;
  path = make("input", {
    class: "wt-input wt-grow wt-figures",
    type: "text",
    "aria-label": "Path of a stack on the kernel's machine",
    placeholder: "path of a TIFF or FITS file",
    spellcheck: "false",
    autocomplete: "off"
  });
  where = make("p", { class: "wt-figures wt-grow wt-where-now" });
  up = button("↑ Folder above", () => this.browse(this.folder?.parent ?? null));
  list = make("ul", { class: "wt-files", "aria-label": "What lies in the folder" });
  more = make("p", { class: "wt-soft" });
  file = make("input", {
    type: "file",
    hidden: true,
    accept: ".tif,.tiff,.fit,.fits,.fts,.gz,.png,.jpg,.jpeg"
  });
  bar = make("progress", { max: 1, hidden: true, "aria-label": "Upload" });
  stop = button("Stop the upload", () => this.#uploading = null, { hidden: true });
  get folder() {
    return this.toolbar.state.folder ?? null;
  }
  shown() {
    if (!this.folder?.path) void this.browse(null);
  }
  focus() {
    this.path.focus();
  }
  browse(path) {
    return this.toolbar.act("browse", { path });
  }
  async open(path) {
    if (await this.toolbar.long("open", { path }, `opening ${path.split("/").pop()}`) !== void 0)
      this.toolbar.turn(null);
  }
  async #entry({ name, folder, recipe }) {
    const path = `${(this.folder?.path ?? "").replace(/\/$/, "")}/${name}`;
    if (!folder) return recipe ? this.toolbar.act("open_recipe", { path }) : this.open(path);
    await this.browse(path);
    this.list.querySelector("button")?.focus();
    return void 0;
  }
  update({ folder, stack }) {
    const words = JSON.stringify(folder);
    if (words === this.list.dataset.words) return;
    this.list.dataset.words = words;
    this.where.textContent = folder?.path ?? "";
    this.up.disabled = !folder?.parent;
    const one = (entry) => {
      const kind = entry.folder ? "folder" : entry.recipe ? "recipe" : "stack";
      const words2 = entry.folder ? `${entry.name}/` : entry.name;
      return make(
        "li",
        {},
        button(words2, () => this.#entry(entry), { class: "wt-file", dataset: { kind } }),
        make(
          "span",
          { class: "wt-soft wt-figures" },
          entry.folder ? "" : `${entry.recipe ? "recipe, " : ""}${bytesWords(entry.size)}`
        )
      );
    };
    this.list.replaceChildren(...(folder?.entries ?? []).map(one));
    if (folder && !folder.entries.length)
      this.list.append(make("li", { class: "wt-soft" }, "nothing here that the bench can open"));
    this.more.textContent = folder?.left_out ? `and ${folder.left_out} more: open them by their path` : "";
    attribute(this.list, "aria-busy", stack === void 0 ? "true" : null);
  }
  #dropping() {
    const { element } = this;
    const { signal } = this.toolbar;
    const over = (on) => (event) => {
      event.preventDefault();
      element.classList.toggle("wt-dropping", on);
    };
    element.addEventListener("dragover", over(true), { signal });
    element.addEventListener("dragleave", over(false), { signal });
    element.addEventListener(
      "drop",
      (event) => {
        over(false)(event);
        const [file] = event.dataTransfer?.files ?? [];
        if (file) void this.upload(file);
      },
      { signal }
    );
  }
  /** One piece at a time, each answered, so that a slow line is never flooded. */
  async upload(file) {
    const { model, status } = this.toolbar;
    const mine = this.#uploading = {};
    const turn = (on) => {
      this.bar.hidden = !on;
      this.stop.hidden = !on;
    };
    turn(true);
    this.bar.value = 0;
    try {
      const token = await ask(model, "upload_begin", {
        name: file.name,
        size: file.size,
        folder: this.folder?.path ?? null
      });
      for (let at = 0; at < file.size; at += PIECE) {
        const piece = await file.slice(at, at + PIECE).arrayBuffer();
        if (this.#uploading !== mine) {
          await ask(model, "upload_stop", { token });
          status.say(`stopped; nothing of ${file.name} was kept`);
          return;
        }
        await ask(model, "upload_piece", { token, at }, { buffers: [piece], patience: 120 });
        this.bar.value = Math.min(1, (at + PIECE) / file.size);
        status.say(`uploading ${file.name}: ${Math.round(100 * this.bar.value)} %`);
      }
      await this.toolbar.long("upload_end", { token }, `opening ${file.name}`);
      this.toolbar.turn(null);
    } catch (error) {
      status.fail(error);
    } finally {
      this.file.value = "";
      if (this.#uploading === mine) this.#uploading = null;
      turn(false);
    }
  }
};

// ../panels/toolbar/toolbar.ts
var DRAWERS = [
  ["open", "Open…", "another stack, or a recipe"],
  ["check", "Check-up", "what was measured in this stack, and advice"],
  ["export", "Export…", "picture, recipe, record, step sheet"],
  ["code", "As Python", "the session as a cell of code"],
  ["keys", "?", "keys, wheel and mouse"]
];
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
    this.drawers = {
      open: new OpenDrawer(this),
      check: new AdviceDrawer(this),
      export: new ExportDrawer(this),
      code: new CodeDrawer(this),
      keys: new KeysDrawer()
    };
    this.#build();
    watchState(model, () => this.update(), signal);
    this.update();
    if (!this.state.stack) this.turn("open");
  }
  model;
  root;
  signal;
  act;
  drawers;
  #open = null;
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
  buttons = {};
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
  drawer = make("div", { class: "wt-drawer wt-card", hidden: true });
  get state() {
    return this.model.get("state") ?? {};
  }
  #build() {
    for (const [name, words, title] of DRAWERS) {
      this.buttons[name] = button(words, () => this.turn(this.#open === name ? null : name), {
        "aria-expanded": "false",
        title,
        dataset: { drawer: name }
      });
    }
    const { open, check, export: leave, code, keys } = this.buttons;
    attribute(keys, "aria-label", "? Keys and mouse");
    const presses = make("div", { class: "wt-group" }, open, this.suggest, check, leave, code, this.whole, keys);
    onKeys(this.drawer, { Escape: () => this.turn(null, true) }, this.signal);
    const what = make("div", { class: "wt-what" }, this.name, this.about);
    const line = make("div", { class: "wt-row wt-told" }, this.progress, this.status.element, this.putAway, this.kept);
    this.root.append(
      make("div", { class: "wt-row wt-strip" }, make("div", { class: "wt-grow" }, what, line), presses),
      this.drawer,
      this.remarks,
      this.kernel
    );
    const told = (condition) => {
      this.#condition = condition;
      this.#showKernel();
    };
    watchKernel(this.model, this.root, told, this.signal);
    const asked = (event) => {
      const here = event.target instanceof Node && (benchOf(this.root) ?? this.root).contains(event.target);
      if (event.key !== "?" || !here || isTyping(event.target)) return;
      event.preventDefault();
      this.turn(this.#open === "keys" ? null : "keys");
    };
    window.addEventListener("keydown", asked, { signal: this.signal });
    keepRoom(this.root, this.signal);
    wholeWindow(this.root, this.whole, this.signal);
  }
  /** Pull a drawer out (and the one that was out, in); null: all in. */
  turn(name, back = false) {
    const was = this.#open;
    this.#open = name;
    for (const [key, each] of Object.entries(this.buttons)) attribute(each, "aria-expanded", String(key === name));
    this.drawer.hidden = !name;
    this.drawer.replaceChildren(...name ? [this.drawers[name].element] : []);
    attribute(this.root, "data-drawer", name ?? "");
    if (back && was) this.buttons[was].focus();
    if (!name || name === was) return;
    this.drawers[name].shown();
  }
  async #suggest() {
    const done = await this.long("suggest", {}, "measuring the stack, then building a recipe", true);
    if (done !== void 0) this.status.say("this is the suggested recipe; undo brings the old one back");
  }
  /** Ask for something that takes a while: say so, and let nothing of the kind be asked for twice. */
  async long(name, args, doing, stoppable = false) {
    this.#doing += 1;
    this.#stopping = false;
    this.#work = { doing, stoppable };
    this.status.clear();
    this.#enable();
    this.#showWork();
    attribute(this.root, "aria-busy", "true");
    try {
      const done = await this.act(name, args);
      if (done === void 0 && this.#stopping) this.status.say("stopped: the recipe lies as it was");
      return done;
    } finally {
      this.#doing -= 1;
      if (!this.#doing) {
        attribute(this.root, "aria-busy", null);
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
    this.buttons.check.disabled = busy || none;
    this.buttons.export.disabled = none;
    this.buttons.code.disabled = none;
    for (const each of this.drawers.check.element.querySelectorAll("button")) each.disabled = busy;
  }
  #putAway() {
    this.status.clear();
    void this.act("dismiss");
  }
  update() {
    const { state } = this;
    const { stack, message } = state;
    this.name.textContent = stack?.name ?? "No stack yet";
    this.about.textContent = stack ? [stack.size, stack.acquisition].filter(Boolean).join(" · ") : "Open the linear TIFF or FITS file that your stacking program wrote.";
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
    for (const drawer of Object.values(this.drawers)) drawer.update(state);
    this.#enable();
    attribute(this.root, "data-stack", stack?.name ?? "");
    attribute(this.root, "data-saved", (state.saved ?? []).length);
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
