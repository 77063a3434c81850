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

// shared/drawer.ts
var WORK = "wt-work";
var drawerOut = (bench) => bench.dataset.drawer ?? "";
var pull = (bench, name) => attribute(bench, "data-drawer", name ?? "");
var isBusy = (bench) => bench.dataset.busy !== void 0;
function watchDrawers(bench, react, signal) {
  const observer = new MutationObserver(react);
  observer.observe(bench, { attributes: true, attributeFilter: ["data-drawer", "data-busy"] });
  signal.addEventListener("abort", () => observer.disconnect(), { once: true });
}
var DrawerPanel = class {
  constructor(name, model, { root, signal }) {
    this.name = name;
    this.model = model;
    this.root = root;
    this.signal = signal;
    this.act = actor(model, this.status);
  }
  name;
  model;
  root;
  signal;
  status = statusLine();
  act;
  #working = 0;
  get state() {
    return this.model.get("state") ?? {};
  }
  /** Whether something long goes on, here or elsewhere on the bench. */
  get busy() {
    const bench = benchOf(this.root);
    return this.#working > 0 || bench !== null && isBusy(bench);
  }
  /** Show what the panel is made of, and follow its state and the toolbar. */
  build(...parts) {
    const { root, signal } = this;
    root.classList.add("wt-drawer", "wt-card");
    root.append(...parts, this.status.element);
    onKeys(root, { Escape: () => this.putIn(true) }, signal);
    watchState(this.model, () => this.update(this.state), signal);
    this.update(this.state);
    onceShown(root.parentElement ?? root, signal, () => {
      const bench = benchOf(root);
      if (!bench) {
        this.shown();
        return;
      }
      const follow = () => {
        const out = drawerOut(bench) === this.name;
        const was = root.dataset.out !== void 0;
        attribute(root, "data-out", out);
        if (out && !was) this.shown();
        this.update(this.state);
      };
      watchDrawers(bench, follow, signal);
      this.placed(bench);
      follow();
    });
  }
  /** Put the drawer in; `back`: the keyboard goes back to the button that pulled it out. */
  putIn(back = false) {
    const bench = benchOf(this.root);
    if (!bench) return;
    pull(bench, null);
    if (back) bench.querySelector(`button[data-drawer="${this.name}"]`)?.focus();
  }
  /** Ask for something that takes a while; the toolbar says so, and that it failed. */
  async long(name, args, doing, stoppable = false) {
    const done = ask(this.model, name, args);
    const detail = { doing, stoppable, done };
    const told = new CustomEvent(WORK, { bubbles: true, cancelable: true, detail });
    const alone = this.root.dispatchEvent(told);
    this.#working += 1;
    this.status.clear();
    this.update(this.state);
    try {
      return await done;
    } catch (error) {
      if (alone) this.status.fail(error);
      return void 0;
    } finally {
      this.#working -= 1;
      this.update(this.state);
    }
  }
  /** It has its place on a bench. */
  placed(_bench) {
  }
  /** It was pulled out. */
  shown() {
  }
};

// ../panels/export/outputs.ts
var OutputList = class {
  element = make("div", { class: "wt-outputs" });
  #shown = "";
  #open = /* @__PURE__ */ new Set();
  #act;
  constructor(act) {
    this.#act = act;
  }
  update({ outputs = [], presets = [] }) {
    const shown = JSON.stringify([outputs, presets]);
    if (shown === this.#shown) return;
    this.#shown = shown;
    const focused = this.element.getRootNode().activeElement?.getAttribute("aria-label");
    const more = presets.filter((name) => !outputs.some((output) => output.name === name));
    this.element.replaceChildren(
      ...outputs.map((output) => this.#one(output)),
      make(
        "div",
        { class: "wt-group" },
        ...more.map((name) => button(`Add: ${name}`, () => this.#act("put_output", { name })))
      )
    );
    if (focused) this.element.querySelector(`[aria-label=${JSON.stringify(focused)}]`)?.focus();
  }
  #one({ name, words, fields }) {
    const details = make("details", { class: "wt-output", open: this.#open.has(name) });
    details.addEventListener("toggle", () => this.#open[details.open ? "add" : "delete"](name));
    details.append(
      make("summary", {}, words),
      make("div", { class: "wt-output-fields" }, ...fields.map((field) => this.#field(name, field))),
      button("Remove this output", () => this.#act("remove_output", { name }))
    );
    return details;
  }
  #field(output, field) {
    const words = `${output}: ${field.label}`;
    const tell2 = (value) => this.#act("put_output", { name: output, [field.name]: value });
    const control = field.kind === "choice" ? choice(field, words, tell2) : entry(field, words, tell2);
    const unit = field.unit ? make("span", { class: "wt-soft" }, field.unit) : "";
    return make("label", { class: "wt-group", title: field.help }, field.label, control, unit);
  }
};
function choice({ choices = [], value }, words, tell2) {
  const select = make(
    "select",
    { class: "wt-select", "aria-label": words },
    ...choices.map(([option, label]) => make("option", { value: String(option) }, label))
  );
  select.value = String(value);
  select.addEventListener("change", () => tell2(select.value));
  return select;
}
function entry({ kind, value, optional }, words, tell2) {
  const type = kind === "switch" ? "checkbox" : kind === "text" ? "text" : "number";
  const input = make("input", { type, class: kind === "switch" ? "" : "wt-input", "aria-label": words });
  if (type === "number") input.step = "any";
  if (kind === "switch") input.checked = Boolean(value);
  else input.value = value === null ? "" : String(value);
  input.addEventListener("change", () => {
    if (kind === "switch") return tell2(input.checked);
    if (kind === "text") return tell2(input.value);
    if (input.value || optional) tell2(input.value ? input.valueAsNumber : null);
  });
  return input;
}

// ../panels/export/proof.ts
var INTENTS = {
  relative: "relative colorimetric: only colors out of gamut are changed",
  perceptual: "perceptual: all colors make room"
};
var SoftProof = class {
  profile = make("input", {
    class: "wt-input wt-figures",
    type: "text",
    placeholder: "printer.icc",
    "aria-label": "ICC profile of the printer and its paper",
    spellcheck: "false",
    autocomplete: "off"
  });
  intent = make(
    "select",
    { class: "wt-select", "aria-label": "Rendering intent" },
    ...Object.entries(INTENTS).map(([value, words]) => make("option", { value }, words))
  );
  lost = make("span", { class: "wt-soft", role: "status" });
  element = make(
    "div",
    { class: "wt-save-file" },
    this.profile,
    make("div", { class: "wt-group" }, this.intent, this.lost)
  );
  press;
  #shown = false;
  constructor(act) {
    const tell2 = (on) => act("soft_proof", { profile: this.profile.value.trim(), intent: this.intent.value, on });
    this.press = button("Show the soft proof", () => tell2(!this.#shown), { pressed: false });
    this.intent.addEventListener("change", () => this.#shown && tell2(true));
    this.profile.addEventListener("keydown", (event) => event.key === "Enter" && void tell2(true));
  }
  update({ proof = null }) {
    this.#shown = proof !== null;
    attribute(this.press, "aria-pressed", String(this.#shown));
    const lost = proof?.lost ?? null;
    const share = lost === null ? "" : `${(100 * lost).toFixed(1)} % of the picture is out of gamut`;
    this.lost.textContent = proof ? [proof.printer, share].filter(Boolean).join(": ") : "";
  }
};

// ../panels/export/export.ts
var suffixOf = (path) => (/\.[a-z0-9]+$/i.exec(path)?.[0] ?? "").toLowerCase();
var ExportDrawer = class extends DrawerPanel {
  #stem = null;
  replace = make("input", { type: "checkbox" });
  format = make("select", { class: "wt-select", "aria-label": "Format of the picture" });
  numbers = make("span", { class: "wt-group" });
  rows = make("div", { class: "wt-save-rows" });
  picture = this.#row(
    "Picture",
    "Save the picture",
    "save_picture",
    () => this.#options(),
    make("div", { class: "wt-group" }, this.format, this.numbers),
    true
  );
  layers = this.#layersRow();
  outputs = this.#outputsRow();
  grid = make("input", { type: "checkbox", checked: "" });
  names = make("input", { type: "checkbox", checked: "" });
  labelled = this.#rowParts(
    "Labelled copy",
    "Save the labelled copy",
    "save_labelled",
    () => ({ grid: this.grid.checked, names: this.names.checked }),
    make(
      "div",
      { class: "wt-group" },
      make("label", { class: "wt-group" }, this.names, "names"),
      make("label", { class: "wt-group" }, this.grid, "north and grid"),
      make("span", { class: "wt-soft" }, "a name in .svg gets the labels alone")
    )
  );
  proof = this.#proofRow();
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
  constructor(model, mount) {
    super("export", model, mount);
    this.format.addEventListener("change", () => this.#formatChosen());
    this.picture.addEventListener("input", () => this.#nameTyped());
    this.build(this.rows, make("label", { class: "wt-group" }, this.replace, "replace a file that exists"), this.list);
  }
  #row(what, words, name, options = () => ({}), more = null, main = false) {
    return this.#rowParts(what, words, name, options, more, main).path;
  }
  #rowParts(what, words, name, options, more, main = false) {
    const path = make("input", {
      class: "wt-input wt-figures",
      type: "text",
      "aria-label": `File of the ${what.toLowerCase()}`,
      spellcheck: "false",
      autocomplete: "off"
    });
    const save = () => this.act(name, { path: path.value.trim(), overwrite: this.replace.checked, ...options() });
    const press = button(words, save, main ? { class: "wt-button wt-main" } : {});
    path.addEventListener("keydown", (event) => event.key === "Enter" && void save());
    const parts = [make("span", { class: "wt-label" }, what), make("div", { class: "wt-save-file" }, path, more), press];
    this.rows.append(...parts);
    return { path, parts };
  }
  /** Starless picture and stars go beside the picture, in its format. */
  #layersRow() {
    const save = () => this.act("save_layers", {
      path: this.picture.value.trim(),
      overwrite: this.replace.checked,
      ...this.#options()
    });
    const names = make("span", { class: "wt-soft wt-figures" });
    const title = "as they are before the stars are joined again; 32-bit float files keep all of their light";
    const parts = [make("span", { class: "wt-label" }, "Layers"), names, button("Save the layers", save, { title })];
    this.rows.append(...parts);
    return { parts, names };
  }
  /** Outputs go beside the picture, whether that is written or not. */
  #outputsRow() {
    const list = new OutputList((name, args) => this.act(name, args));
    const save = () => this.act("save_outputs", { path: this.picture.value.trim(), overwrite: this.replace.checked });
    this.rows.append(make("span", { class: "wt-label" }, "Outputs"), list.element, button("Save the outputs", save));
    return list;
  }
  #proofRow() {
    const proof = new SoftProof((name, args) => this.act(name, args));
    this.rows.append(make("span", { class: "wt-label" }, "Soft proof"), proof.element, proof.press);
    return proof;
  }
  #nameLayers() {
    const name = this.picture.value.trim().split("/").pop() ?? "";
    const stem = name.slice(0, name.length - suffixOf(name).length).replace(/\.picture$/, "");
    const [starless, stars] = ["starless", "stars"].map((layer) => `${stem}.${layer}${suffixOf(name)}`);
    this.layers.names.textContent = `${starless} and ${stars}`;
  }
  #options() {
    const format = this.#format();
    if (!format) return {};
    const typed = [...this.numbers.querySelectorAll("input")].map((field) => field.valueAsNumber);
    const options = { ...format.options };
    for (const [i, { name, default: usual, least, most }] of format.numbers.entries())
      options[name] = clamp(Math.round(typed[i] || usual), least, most);
    return options;
  }
  #format() {
    return this.state.formats?.[this.format.selectedIndex];
  }
  /** A field for each number that the format leaves to the person. */
  #showNumbers() {
    const format = this.#format();
    if (this.numbers.dataset.format === (format?.words ?? "")) return;
    this.numbers.dataset.format = format?.words ?? "";
    const field = ({ name, default: usual, least, most }) => make(
      "label",
      { class: "wt-group wt-soft" },
      plainWords(name),
      make("input", {
        class: "wt-input wt-figures",
        type: "number",
        min: least,
        max: most,
        step: 1,
        value: usual,
        "aria-label": `${plainWords(name)}, ${least} to ${most}`
      })
    );
    this.numbers.replaceChildren(...(format?.numbers ?? []).map(field));
  }
  #formatChosen() {
    const [suffix = ""] = this.#format()?.suffixes ?? [];
    const path = this.picture.value;
    this.picture.value = (suffixOf(path) ? path.slice(0, -suffixOf(path).length) : path) + suffix;
    this.#showNumbers();
    this.#nameLayers();
  }
  #nameTyped() {
    const { formats = [] } = this.state;
    const suffix = suffixOf(this.picture.value);
    const named = formats.findIndex(({ suffixes }) => suffixes.includes(suffix));
    if (named >= 0 && !this.#format()?.suffixes.includes(suffix)) this.format.selectedIndex = named;
    this.#showNumbers();
    this.#nameLayers();
  }
  update(state) {
    const { stem = null, formats = [], saved = [], layers = false, located = false, labelled = "" } = state;
    this.outputs.update(state);
    this.proof.update(state);
    for (const part of this.layers.parts) part.hidden = !layers;
    for (const part of this.labelled.parts) part.hidden = !located;
    if (this.format.length !== formats.length)
      this.format.replaceChildren(...formats.map(({ words: words2 }) => make("option", {}, words2)));
    attribute(this.root, "data-saved", saved.length);
    const words = saved.join("\n");
    if (this.list.dataset.words !== words) {
      this.list.dataset.words = words;
      this.list.replaceChildren(
        ...saved.map((path) => make("li", {}, "✓ written: ", make("span", { class: "wt-figures" }, path)))
      );
    }
    if (stem === this.#stem) return;
    this.#stem = stem;
    for (const [input, ending] of [
      [this.picture, `.picture${formats[0]?.suffixes[0] ?? ""}`],
      [this.recipe, ".recipe.json"],
      [this.record, ".record.json"],
      [this.sheet, ".steps.html"],
      [this.labelled.path, labelled]
    ])
      input.value = stem ? stem + ending : "";
    this.format.selectedIndex = 0;
    this.#nameTyped();
  }
};

// ../panels/export/page.ts
var page_default = panel("export", "Export", (model, mount) => new ExportDrawer(model, mount));
export {
  page_default as default
};
