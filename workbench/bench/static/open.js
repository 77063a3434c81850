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

// ../panels/open/open.ts
var PIECE = 2 * 1024 * 1024;
var OpenDrawer = class extends DrawerPanel {
  #uploading = null;
  path = make("input", {
    class: "wt-input wt-grow wt-figures",
    type: "text",
    "aria-label": "Path of a stack on the kernel's machine",
    spellcheck: "false",
    autocomplete: "off"
  });
  where = make("p", { class: "wt-figures wt-grow wt-where-now" });
  up = button("↑ Folder above", () => this.browse(this.folder?.parent ?? null));
  list = make("ul", { class: "wt-files", "aria-label": "What lies in the folder" });
  more = make("p", { class: "wt-soft" });
  file = make("input", {
    type: "file",
    hidden: true
  });
  recent = make("ul", { class: "wt-places", "aria-label": "Stacks that were open last" });
  recentPart = make("section", {}, make("h3", {}, "Open last"), this.recent);
  samples = make("ul", { class: "wt-places", "aria-label": "Sample stacks" });
  beginning = make(
    "div",
    { class: "wt-beginning" },
    this.recentPart,
    make("section", {}, make("h3", {}, "Sample stacks to try"), this.samples)
  );
  toneWords = make("span", { class: "wt-soft" });
  otherTone = button("", () => this.#takeFor());
  tone = make("div", { class: "wt-row wt-taken-for" }, this.toneWords, this.otherTone);
  bar = make("progress", { max: 1, hidden: true, "aria-label": "Upload" });
  stop = button("Stop the upload", () => this.#uploading = null, { hidden: true });
  constructor(model, mount) {
    super("open", model, mount);
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
    this.#dropping();
    this.build(
      this.tone,
      this.beginning,
      form,
      make("div", { class: "wt-row" }, this.where, this.up, upload, this.file, this.bar, this.stop),
      this.list,
      this.more
    );
  }
  get folder() {
    return this.state.folder ?? null;
  }
  /** A bench without a stack begins with this. */
  placed(bench) {
    if (!this.state.opened) pull(bench, this.name);
  }
  shown() {
    if (!this.folder?.path) void this.browse(null);
    void this.act("recent");
  }
  /** A file that was taken for the wrong thing. */
  async #takeFor() {
    const tone = this.state.tone === "linear" ? "display" : "linear";
    if (await this.long("take_for", { tone }, "opening the stack anew") !== void 0) this.putIn();
  }
  async #openSample(name) {
    if (await this.long("open_sample", { name }, `opening ${plainWords(name)}`) !== void 0) this.putIn();
  }
  #updateBeginning({ samples = [], recent = [], opened = false, tone = null }) {
    const words = JSON.stringify([samples, recent, opened, tone]);
    if (words === this.beginning.dataset.words) return;
    this.beginning.dataset.words = words;
    this.tone.hidden = !tone;
    this.toneWords.textContent = tone === "linear" ? "The stack is taken for linear light." : "The stack is taken for a finished picture.";
    this.otherTone.textContent = tone === "linear" ? "It is a finished picture" : "It is linear light";
    const place = (name, about, open, title) => make("li", {}, button(name, open, { class: "wt-file", title }), make("span", { class: "wt-soft" }, about));
    this.recentPart.hidden = !recent.length;
    this.recent.replaceChildren(
      ...recent.map(({ name, path, folder }) => place(name, folder, () => this.open(path), path))
    );
    this.samples.replaceChildren(
      ...samples.map(({ name, words: about }) => place(plainWords(name), about, () => this.#openSample(name), about))
    );
  }
  browse(path) {
    return this.act("browse", { path });
  }
  async open(path) {
    if (await this.long("open", { path }, `opening ${path.split("/").pop()}`) !== void 0) this.putIn();
  }
  async #entry({ name, folder, recipe }) {
    const path = `${(this.folder?.path ?? "").replace(/\/$/, "")}/${name}`;
    if (!folder) return recipe ? this.act("open_recipe", { path }) : this.open(path);
    await this.browse(path);
    this.list.querySelector("button")?.focus();
    return void 0;
  }
  update(state) {
    this.#updateBeginning(state);
    const { folder, kinds = "", suffixes = [] } = state;
    attribute(this.path, "placeholder", `path of a ${kinds} file`);
    attribute(this.file, "accept", suffixes.join(","));
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
    attribute(this.list, "aria-busy", folder === void 0 ? "true" : null);
  }
  #dropping() {
    const { root, signal } = this;
    const over = (on) => (event) => {
      event.preventDefault();
      root.classList.toggle("wt-dropping", on);
    };
    root.addEventListener("dragover", over(true), { signal });
    root.addEventListener("dragleave", over(false), { signal });
    root.addEventListener(
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
    const { model, status } = this;
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
      await this.long("upload_end", { token }, `opening ${file.name}`);
      this.putIn();
    } catch (error) {
      status.fail(error);
    } finally {
      this.file.value = "";
      if (this.#uploading === mine) this.#uploading = null;
      turn(false);
    }
  }
};

// ../panels/open/page.ts
var page_default = panel("open", "Opening", (model, mount) => new OpenDrawer(model, mount));
export {
  page_default as default
};
