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
var CARDS = "wt-cards";
var UNFOLDED = "wt-unfolded";
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

// shared/numbers.ts
var clamp = (value, low, high) => Math.min(Math.max(value, low), high);

// ../panels/settings/number.ts
var SLIDER = 400;
function sliderScale({ scale: scale2, low, high }) {
  if (low === null || high === null) return null;
  if (scale2 === "log") {
    const decades = Math.log(high / low);
    return {
      to: (place) => low * Math.exp(decades * place),
      from: (value) => Math.log(Math.max(value, low) / low) / decades
    };
  }
  if (scale2 === "root")
    return { to: (place) => high * place ** 3, from: (value) => Math.cbrt(Math.max(value, 0) / high) };
  return { to: (place) => low + (high - low) * place, from: (value) => (value - low) / (high - low) };
}
function rounded(value, { kind, scale: scale2, step }) {
  if (kind === "integer") return Math.round(value);
  if (scale2 !== "linear") return Number(value.toPrecision(3));
  return Number((Math.round(value / step) * step).toPrecision(12));
}
var entryWords = (value) => value === null || value === void 0 ? "" : String(Number(value.toPrecision(10)));
function typedNumber(text) {
  const plain = text.trim().replace(/[\s\u202f']/g, "").replace(",", ".");
  return plain === "" ? NaN : Number(plain);
}
function numberControl(field, give, ids) {
  const scale2 = sliderScale(field);
  return scale2 ? sliderControl(field, scale2, give, ids) : entryControl(field, give, ids);
}
var limited = (value, { min, max }) => clamp(value, min ?? -Infinity, max ?? Infinity);
function entryControl(field, give, ids) {
  let now = field;
  const nudge = (by) => limited((now.value ?? now.start) + by * now.step, now);
  const get = () => now;
  const entry = numberEntry({ ...ids, label: field.label, get, give: (value) => give(false, value), nudge });
  return {
    side: entry.element,
    focus: () => entry.input.focus(),
    update(next) {
      now = next;
      entry.input.disabled = next.value === null;
      entry.show(next.value);
    }
  };
}
function sliderControl(field, scale2, give, ids) {
  let now = field;
  let held = null;
  let keyDown = false;
  const range = (field.high ?? 0) - (field.low ?? 0);
  const places = field.scale === "linear" ? Math.max(1, Math.round(range / field.step)) : SLIDER;
  const nudge = (by) => {
    const value = now.value ?? now.start;
    if (now.scale === "linear") return limited(rounded(value + by * now.step, now), now);
    const next = rounded(scale2.to(clamp(scale2.from(value) + by / 100, 0, 1)), now);
    return limited(next === value ? value + Math.sign(by) * (now.kind === "integer" ? 1 : 0) : next, now);
  };
  const get = () => now;
  const entry = numberEntry({ ...ids, label: field.label, get, give: (value) => give(false, value), nudge });
  const slider = make("input", {
    type: "range",
    class: "wt-slider",
    "aria-label": field.label,
    "aria-describedby": ids.help
  });
  const show = (value) => {
    entry.show(value);
    const place = value === null ? 0 : clamp(scale2.from(value), 0, 1);
    slider.value = String(Math.round(place * places));
    slider.style.setProperty("--wt-share", String(place));
    attribute(slider, "aria-valuetext", `${entryWords(value)} ${now.unit}`.trim());
  };
  const commit = async () => {
    if (held === null || keyDown) return;
    const value = held;
    await give(false, value);
    if (held !== value) return;
    held = null;
    show(now.value);
  };
  const letGo = () => {
    keyDown = false;
    void commit();
  };
  attribute(slider, "max", places);
  slider.addEventListener("input", () => {
    held = rounded(scale2.to(slider.valueAsNumber / places), now);
    show(held);
    void give(true, held);
  });
  slider.addEventListener("keydown", ({ key }) => keyDown ||= key.startsWith("Arrow") || key.startsWith("Page"));
  slider.addEventListener("keyup", letGo);
  slider.addEventListener("blur", letGo);
  slider.addEventListener("change", () => void commit());
  slider.addEventListener("pointerdown", () => keyDown = false);
  return {
    main: slider,
    side: entry.element,
    focus: () => slider.focus(),
    update(next) {
      now = next;
      for (const each of [slider, entry.input]) each.disabled = next.value === null;
      if (held === null) show(next.value);
    }
  };
}
function numberEntry({ id, help, label, get, give, nudge }) {
  const input = make("input", {
    id,
    type: "text",
    inputmode: "decimal",
    class: "wt-input wt-entry wt-figures",
    role: "spinbutton",
    "aria-label": label,
    "aria-describedby": help,
    autocomplete: "off",
    spellcheck: "false"
  });
  const unit = make("span", { class: "wt-unit" });
  let written = false;
  const take = async () => {
    if (!written) return;
    written = false;
    const value = typedNumber(input.value);
    if (!Number.isNaN(value)) await give(value);
    show(get().value);
  };
  const show = (value) => {
    const now = get();
    if (!written) input.value = entryWords(value);
    attribute(input, "aria-valuenow", value);
    attribute(input, "aria-valuetext", value === null ? "automatic" : `${entryWords(value)} ${now.unit ?? ""}`.trim());
    attribute(input, "aria-valuemin", now.min);
    attribute(input, "aria-valuemax", now.max);
    input.title = rangeWords(now);
    unit.textContent = now.unit ?? "";
  };
  input.addEventListener("input", () => written = true);
  input.addEventListener("blur", () => void take());
  input.addEventListener("focus", () => input.select());
  input.addEventListener("keydown", (event) => {
    const moves = { ArrowUp: 1, ArrowDown: -1, PageUp: 10, PageDown: -10 };
    const by = moves[event.key];
    if (event.key === "Enter") void take();
    else if (event.key === "Escape" && written) {
      written = false;
      show(get().value);
    } else if (by !== void 0 && nudge && get().value !== null) {
      written = false;
      void give(nudge(event.shiftKey ? 10 * by : by));
    } else return;
    event.preventDefault();
    event.stopPropagation();
  });
  return { input, element: make("span", { class: "wt-entry-with-unit" }, input, unit), show };
}
function rangeWords({ min, max, unit }) {
  const [least, most] = [entryWords(min), entryWords(max)];
  const range = least && most ? `${least} to ${most}` : least ? `${least} or more` : most ? `at most ${most}` : "";
  return `${range} ${range ? unit ?? "" : ""}`.trim();
}

// ../panels/settings/controls.ts
function choiceControl(field, give, ids) {
  const labels = field.choices.map(([, label]) => label);
  const few = labels.length <= 4 && labels.join("").length <= 34;
  return few ? radioControl(field, give, ids) : selectControl(field, give, ids);
}
function selectControl(field, give, ids) {
  const values = field.choices.map(([value]) => value);
  const select = make(
    "select",
    { id: ids.id, class: "wt-select", "aria-describedby": ids.help },
    ...field.choices.map(([, label], i) => make("option", { value: i }, label))
  );
  select.addEventListener("change", () => void give(false, values[select.selectedIndex]));
  return {
    main: select,
    focus: () => select.focus(),
    update: ({ value }) => select.selectedIndex = values.indexOf(value)
  };
}
function radioControl(field, give, ids) {
  const values = field.choices.map(([value]) => value);
  const name = freshId("choice");
  const radios = values.map((value, i) => {
    const radio = make("input", { type: "radio", name, value: i });
    radio.addEventListener("change", () => radio.checked && void give(false, value));
    return radio;
  });
  const group = make(
    "div",
    { role: "radiogroup", "aria-label": field.label, "aria-describedby": ids.help, class: "wt-choices" },
    ...field.choices.map(([, label], i) => make("label", {}, radios[i], make("span", {}, label)))
  );
  return {
    main: group,
    focus: () => (radios.find((each) => each.checked) ?? radios[0]).focus(),
    update: ({ value }) => radios.forEach((radio, i) => radio.checked = values[i] === value)
  };
}
function switchControl(_, give, ids) {
  const input = make("input", {
    id: ids.id,
    type: "checkbox",
    role: "switch",
    class: "wt-switch",
    "aria-describedby": ids.help
  });
  const words = make("span", { class: "wt-soft" });
  input.addEventListener("change", () => void give(false, input.checked));
  return {
    side: make("label", { class: "wt-row" }, words, input),
    focus: () => input.focus(),
    update({ value }) {
      input.checked = value;
      words.textContent = value ? "yes" : "no";
    }
  };
}
function textControl(field, give, ids) {
  const json = field.kind === "data";
  const props = { id: ids.id, class: "wt-input wt-text", "aria-describedby": ids.help, spellcheck: "false" };
  const input = json ? make("textarea", { ...props, rows: 3 }) : make("input", props);
  let now = field;
  const words = (value) => json ? JSON.stringify(value) : typeof value === "string" ? value : "";
  const wrong = make("p", { class: "wt-alarm", role: "alert" });
  input.addEventListener("change", () => {
    wrong.textContent = "";
    try {
      void give(false, json ? JSON.parse(input.value) : input.value === "" && now.optional ? null : input.value);
    } catch {
      wrong.textContent = `this is not JSON; write it like ${words(now.default)}`;
    }
  });
  return {
    main: make("div", {}, input, wrong),
    focus: () => input.focus(),
    update(next) {
      now = next;
      if (document.activeElement !== input) input.value = words(next.value);
    }
  };
}
function numbersControl(field, give, ids) {
  let now = field;
  const entries = field.parts.map(
    (part, i) => numberEntry({
      id: i === 0 ? ids.id : null,
      help: ids.help,
      label: `${field.label}: ${part}`,
      get: () => ({ value: now.value?.[i] ?? null }),
      give: (value) => give(false, now.value?.map((old, j) => j === i ? value : old) ?? null)
    })
  );
  const row = make(
    "div",
    { class: "wt-numbers" },
    ...entries.map(({ element }, i) => make("label", {}, make("span", { class: "wt-label" }, field.parts[i]), element))
  );
  return {
    main: row,
    focus: () => entries[0].input.focus(),
    update(next) {
      now = next;
      row.hidden = next.value === null;
      entries.forEach((entry, i) => entry.show(next.value?.[i] ?? null));
    }
  };
}
function listControl(_, give) {
  const list = make("ul", { class: "wt-items" });
  return {
    main: list,
    focus: () => list.querySelector("button")?.focus(),
    update({ value, items, label }) {
      const without = (i) => give(
        false,
        value.filter((_2, j) => j !== i)
      );
      const remove = (i) => button("Remove", () => without(i), { "aria-label": `remove ${label} ${i + 1}` });
      const line2 = (words, i) => make("li", { class: "wt-row" }, make("span", { class: "wt-grow wt-figures" }, `${i + 1}. ${words}`), remove(i));
      list.replaceChildren(...items.map(line2));
      if (!items.length) list.append(make("li", { class: "wt-soft" }, "none"));
    }
  };
}
function controlFor(field, give, ids) {
  switch (field.kind) {
    case "number":
    case "integer":
      return numberControl(field, give, ids);
    case "choice":
      return choiceControl(field, give, ids);
    case "switch":
      return switchControl(field, give, ids);
    case "numbers":
      return numbersControl(field, give, ids);
    case "list":
      return listControl(field, give);
    default:
      return textControl(field, give, ids);
  }
}
function settingRow(field, { give, reset, take }) {
  const ids = { id: freshId(field.name), help: freshId("help") };
  const { tool } = field;
  let now = field;
  const control = controlFor(field, give, ids);
  const back = reset ? button("↺", reset, { class: "wt-button wt-quiet wt-back" }) : null;
  const canBeEmpty = field.optional && field.kind !== "choice" && field.kind !== "text";
  const automatic = canBeEmpty ? make("input", { type: "checkbox" }) : null;
  const measured = make("span", {});
  automatic?.addEventListener("change", () => {
    const start = "start" in now ? now.start : now.default;
    void give(false, automatic.checked ? null : start);
  });
  const drawn = take && tool ? button("Draw on the picture", () => take(tool), { class: "wt-button wt-draw" }) : null;
  const head = make(
    "div",
    { class: "wt-field-head" },
    make("label", { for: ids.id, class: "wt-field-name", title: field.help }, field.label),
    back,
    make("span", { class: "wt-grow" }),
    automatic && make("label", { class: "wt-automatic" }, automatic, field.empty ?? "automatic", measured),
    control.side
  );
  const help = make("p", { id: ids.help, class: "wt-help" }, field.help);
  const props = { class: "wt-field", dataset: { name: field.name, kind: field.kind } };
  const element = make("div", props, head, control.main, drawn, help);
  const showBack = (next) => {
    const differs = JSON.stringify(next.value) !== JSON.stringify(next.default);
    element.classList.toggle("wt-changed", differs);
    if (!back) return;
    back.hidden = !differs;
    const words = defaultWords(next.default);
    attribute(back, "aria-label", `put ${next.label} back to ${words}`);
    attribute(back, "title", `back to ${words}`);
  };
  const showEmpty = (next) => {
    if (!automatic) return;
    const empty = next.value === null;
    automatic.checked = empty;
    attribute(automatic, "aria-label", `${next.label}: ${next.empty ?? "automatic"}`);
    if (control.main) control.main.hidden = empty;
    if (control.side) control.side.hidden = empty;
    const found = "measured" in next ? next.measured : null;
    const isKnown = empty && typeof found === "number" && Number.isFinite(found);
    measured.textContent = isKnown ? `: ${entryWords(Number(found.toPrecision(3)))} ${next.unit}` : "";
  };
  return {
    element,
    focus: control.focus,
    update(next) {
      now = next;
      control.update(next);
      showBack(next);
      showEmpty(next);
    }
  };
}
function defaultWords(value) {
  if (value === null || value === void 0) return "automatic";
  if (Array.isArray(value)) return value.length ? value.join(",") : "none";
  return typeof value === "string" ? value : JSON.stringify(value);
}

// ../panels/settings/masks.ts
var Masks = class {
  words = make("p", { class: "wt-soft wt-mask-words" });
  list = make("div", { class: "wt-masks" });
  how = make("select", { class: "wt-select", "aria-label": "How the masks are joined" });
  add = make("select", { class: "wt-select", "aria-label": "Limit this step by" });
  whole = button("Whole frame", () => this.#act("limit", { where: null }), {
    class: "wt-button wt-quiet",
    title: "take all masks away: the step changes the whole frame again"
  });
  element = make(
    "details",
    { class: "wt-where" },
    make("summary", {}, "Only a part of the frame"),
    this.words,
    this.list,
    make("div", { class: "wt-row" }, this.add, this.how, this.whole)
  );
  #rows = [];
  #built = "";
  #act;
  #sender;
  #take;
  /** `act` does a command of the step, `sender` makes one for a moving control, `take` takes a tool in hand. */
  constructor(act, sender, take) {
    this.#act = act;
    this.#sender = sender;
    this.#take = take;
    this.how.append(
      make("option", { value: "union" }, "where any of them is"),
      make("option", { value: "intersection" }, "where all of them are")
    );
    this.how.addEventListener("change", () => void act("combine_masks", { how: this.how.value }));
    this.add.addEventListener("change", () => void this.#add(this.add.value));
  }
  clear() {
    this.#built = "";
    this.list.replaceChildren();
  }
  async #add(kind) {
    this.add.value = "";
    if (!kind) return;
    await this.#act("add_mask", { kind });
    if (kind === "regions" || kind === "brush") this.#take(`mask.${kind}`);
  }
  update({ where }) {
    this.element.hidden = !where?.possible;
    if (!where?.possible) return;
    this.words.textContent = where.words;
    this.whole.hidden = where.masks.length < 2;
    this.how.hidden = where.how === null;
    if (where.how) this.how.value = where.how;
    const built = JSON.stringify(where.masks.map(({ kind, fields }) => [kind, fields.length]));
    if (built !== this.#built) this.#build(where);
    this.#built = built;
    where.masks.forEach((mask, i) => {
      for (const field of mask.fields) this.#rows[i]?.get(field.name)?.update(field);
    });
  }
  #build({ masks, kinds }) {
    const first = masks.length ? "Add another mask…" : "Limit it by…";
    this.add.replaceChildren(
      make("option", { value: "" }, first),
      ...kinds.map(([kind, title]) => make("option", { value: kind }, title))
    );
    this.#rows = masks.map((mask, i) => this.#rowsOf(mask, i));
    this.list.replaceChildren(...masks.map((mask, i) => this.#item(mask, i)));
  }
  #rowsOf({ fields }, number) {
    return new Map(
      fields.map((field) => {
        const { name } = field;
        const send = this.#sender();
        const give = (live, value) => new Promise((done) => send({ live, value: { number, [name]: value }, done }));
        return [name, settingRow(field, { give })];
      })
    );
  }
  #item({ title, tool, fields }, number) {
    const shown = (expert) => fields.filter((field) => field.expert === expert).flatMap(({ name }) => this.#rows[number].get(name)?.element ?? []);
    const finer = shown(true);
    return make(
      "section",
      { class: "wt-mask", "aria-label": `Mask ${number + 1}: ${title}` },
      make(
        "div",
        { class: "wt-row" },
        make("h3", { class: "wt-grow" }, title),
        ...tool ? [button("Draw", () => this.#take(tool), { class: "wt-button" })] : [],
        button("Take away", () => this.#act("remove_mask", { number }), { class: "wt-button wt-quiet" })
      ),
      make("div", { class: "wt-fields" }, ...shown(false)),
      ...finer.length ? [make("details", { class: "wt-expert" }, make("summary", {}, "Finer settings"), ...finer)] : []
    );
  }
};

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

// ../panels/settings/plots.ts
var WIDTH = 320;
var HEIGHT = 226;
var EDGE = { left: 40, right: 10, top: 8, bottom: 36 };
var NEAR = 14;
var MARK = 3;
var MANY = 500;
var Plots = class {
  constructor(pick, signal) {
    this.pick = pick;
    this.signal = signal;
    this.element.append(this.words);
  }
  pick;
  signal;
  element = make("div", { class: "wt-plots" });
  words = make("p", { class: "wt-picked wt-figures", "aria-live": "polite" });
  #shown = "";
  #drawn = [];
  update(plots, picked) {
    this.element.hidden = !plots.length;
    const words = JSON.stringify(plots);
    if (words !== this.#shown) {
      this.#shown = words;
      this.#drawn = plots.map((plot) => new Drawn(plot, this.pick, this.signal));
      this.element.replaceChildren(...this.#drawn.map(({ element }) => element), this.words);
    }
    for (const drawn of this.#drawn) drawn.mark(picked);
    const inviting = plots.some(({ overlay }) => overlay) ? "Press a point: its star is ringed in the picture." : "";
    this.words.textContent = picked ? picked.words : inviting;
    this.words.classList.toggle("wt-soft", !picked);
  }
};
var Drawn = class {
  element;
  #plot;
  #places;
  /** Numbers of the points from left to right, in which keys go through them. */
  #order;
  #ring = makeSvg("circle", { class: "wt-plot-ring", r: 6, hidden: true });
  #svg;
  #number = null;
  constructor(plot, pick, signal) {
    this.#plot = plot;
    const [x, y] = [scale(plot.across, EDGE.left, WIDTH - EDGE.right), scale(plot.up, HEIGHT - EDGE.bottom, EDGE.top)];
    this.#places = plot.points.map(([px, py]) => [
      inside(x(px), EDGE.left, WIDTH - EDGE.right),
      inside(y(py), EDGE.top, HEIGHT - EDGE.bottom)
    ]);
    this.#order = plot.points.map((_, i) => i).sort((a, b) => plot.points[a][0] - plot.points[b][0]);
    const picks = Boolean(plot.overlay);
    this.#svg = makeSvg(
      "svg",
      {
        viewBox: `0 0 ${WIDTH} ${HEIGHT}`,
        class: "wt-scatter",
        role: picks ? "slider" : "img",
        tabindex: picks ? "0" : null,
        "aria-label": `${plot.title}: ${plot.says}`,
        ...picks ? { "aria-valuemin": 0, "aria-valuemax": plot.points.length, "aria-valuenow": 0 } : {}
      },
      ...axes(plot, x, y),
      makeSvg("path", { class: "wt-plot-left", d: this.#marks(false) }),
      makeSvg("path", {
        class: "wt-plot-used",
        d: this.#marks(true),
        "stroke-width": plot.points.length > MANY ? 2.5 : 4
      }),
      ...line(plot, x, y),
      this.#ring
    );
    this.element = make(
      "figure",
      { dataset: { plot: plot.name } },
      make("figcaption", {}, make("b", {}, plot.title), make("span", { class: "wt-soft" }, plot.says)),
      this.#svg
    );
    if (picks) this.#listen(pick, signal);
  }
  mark(picked) {
    const number = picked?.overlay === this.#plot.overlay ? picked.number : null;
    this.#number = number;
    const place = number === null ? void 0 : this.#places[number];
    this.#ring.toggleAttribute("hidden", !place);
    if (!this.#plot.overlay) return;
    attribute(this.#svg, "aria-valuenow", number === null ? 0 : this.#order.indexOf(number) + 1);
    attribute(this.#svg, "aria-valuetext", picked && place ? picked.words : "no point picked");
    if (!place) return;
    attribute(this.#ring, "cx", place[0]);
    attribute(this.#ring, "cy", place[1]);
  }
  /** Dots as lines of no length with round ends, crosses for what was left out: one path, however many there are. */
  #marks(used) {
    const parts = [];
    this.#plot.points.forEach(([, , good], i) => {
      if (Boolean(good) !== used) return;
      const [x, y] = this.#places[i].map((v) => v.toFixed(1));
      parts.push(
        used ? `M${x} ${y}h0` : `M${x} ${y}m-${MARK}-${MARK}l${2 * MARK} ${2 * MARK}m0-${2 * MARK}l-${2 * MARK} ${2 * MARK}`
      );
    });
    return parts.join("");
  }
  #listen(pick, signal) {
    const { overlay } = this.#plot;
    this.#svg.addEventListener("click", (event) => {
      const box = this.#svg.getBoundingClientRect();
      const unit = WIDTH / box.width;
      const number = nearest(this.#places, (event.clientX - box.left) * unit, (event.clientY - box.top) * unit);
      pick(number === null || number === this.#number ? null : overlay, number ?? 0);
    });
    const go = (step) => () => {
      const count = this.#order.length;
      const at = this.#number === null ? step > 0 ? -1 : count : this.#order.indexOf(this.#number);
      pick(overlay, this.#order[inside(at + step, 0, count - 1)]);
    };
    const end = (last) => () => pick(overlay, this.#order[last ? this.#order.length - 1 : 0]);
    const keys = {
      ArrowRight: go(1),
      ArrowUp: go(1),
      ArrowLeft: go(-1),
      ArrowDown: go(-1),
      Home: end(false),
      End: end(true),
      Escape: () => this.#number === null ? false : pick(null, 0)
    };
    onKeys(this.element, keys, signal);
  }
};
var scale = ({ low, high }, from, to) => (value) => from + (value - low) / (high - low) * (to - from);
var inside = (value, low, high) => Math.min(Math.max(value, low), high);
function nearest(places, x, y) {
  let best = null;
  let least = NEAR;
  places.forEach(([px, py], i) => {
    const away = Math.hypot(px - x, py - y);
    if (away < least) [best, least] = [i, away];
  });
  return best;
}
function axes({ across, up }, x, y) {
  const [left, right, top, bottom] = [EDGE.left, WIDTH - EDGE.right, EDGE.top, HEIGHT - EDGE.bottom];
  const middle = (top + bottom) / 2;
  return [
    ...across.ticks.flatMap(([value, text]) => [
      makeSvg("path", { class: "wt-plot-grid", d: `M${x(value)} ${top}V${bottom}` }),
      makeSvg("text", { x: x(value), y: bottom + 14, "text-anchor": "middle" }, text)
    ]),
    ...up.ticks.flatMap(([value, text]) => [
      makeSvg("path", { class: "wt-plot-grid", d: `M${left} ${y(value)}H${right}` }),
      makeSvg("text", { x: left - 5, y: y(value) + 4, "text-anchor": "end" }, text)
    ]),
    makeSvg("path", { class: "wt-plot-axis", d: `M${left} ${top}V${bottom}H${right}` }),
    makeSvg(
      "text",
      { x: (left + right) / 2, y: HEIGHT - 5, "text-anchor": "middle", class: "wt-plot-name" },
      across.words
    ),
    makeSvg(
      "text",
      { transform: `translate(10 ${middle}) rotate(-90)`, "text-anchor": "middle", class: "wt-plot-name" },
      up.words
    )
  ];
}
function line({ line: [from, to], scatter, mark, marked }, x, y) {
  const at = ([px, py], off) => `${x(px)} ${y(py + off)}`;
  const band = `M${at(from, 2 * scatter)}L${at(to, 2 * scatter)}L${at(to, -2 * scatter)}L${at(from, -2 * scatter)}Z`;
  const [top, bottom] = [EDGE.top, HEIGHT - EDGE.bottom];
  const id = freshId("plot");
  const clipped = (shape) => makeSvg("g", { "clip-path": `url(#${id})` }, shape);
  const field = makeSvg("rect", { x: EDGE.left, y: top, width: WIDTH - EDGE.right - EDGE.left, height: bottom - top });
  return [
    makeSvg("clipPath", { id }, field),
    clipped(makeSvg("path", { class: "wt-plot-band", d: band })),
    clipped(makeSvg("path", { class: "wt-plot-line", d: `M${at(from, 0)}L${at(to, 0)}` })),
    ...mark === null ? [] : [makeSvg("path", { class: "wt-plot-mark", d: `M${x(mark)} ${top}V${bottom}` }, makeSvg("title", {}, marked))]
  ];
}

// ../panels/settings/step.ts
var NOTHING = { index: null };
var StepSettings = class {
  constructor(model, { root, signal }) {
    this.model = model;
    this.root = root;
    this.act = actor(model, this.status);
    this.plots = new Plots((overlay, number) => this.act("pick", { overlay, number }), signal);
    this.found.after(this.plots.element);
    root.classList.add("wt-card");
    root.append(this.none, this.body, this.status.element);
    this.#home = root.parentElement;
    watchState(model, () => this.update(), signal);
    document.addEventListener(CARDS, (event) => this.#unfold(event.target), { signal });
    this.update();
  }
  model;
  root;
  act;
  rows = /* @__PURE__ */ new Map();
  #layerRow = null;
  #opacityRow = null;
  #built = "";
  status = statusLine();
  none = make(
    "p",
    { class: "wt-soft wt-unchosen" },
    "Choose a step of the recipe, and its settings are shown here."
  );
  title = make("h2", { tabindex: "-1" });
  summary = make("p", { class: "wt-summary" });
  whyWords = make("div", {});
  why = make("details", { class: "wt-why" }, make("summary", {}, "Why and when"), this.whyWords);
  basic = make("div", { class: "wt-fields" });
  layer = make("div", { class: "wt-fields wt-on-layer" });
  opacity = make("div", { class: "wt-fields wt-opacity" });
  expertCount = make("span", {});
  expertFields = make("div", { class: "wt-fields" });
  expert = make(
    "details",
    { class: "wt-expert" },
    make("summary", {}, "Finer settings ", this.expertCount),
    this.expertFields
  );
  resetAll = button("Reset all", () => this.act("reset", { index: this.state.index, names: [] }), {
    title: "put every setting of this step back to its default (can be undone)"
  });
  draw = button("Draw on the picture", () => this.state.tool && this.#take(this.state.tool), {
    class: "wt-button wt-draw"
  });
  found = make("p", { class: "wt-found" });
  factRows = make("dl", { class: "wt-facts" });
  numbers = make("details", {}, make("summary", {}, "The numbers"), this.factRows);
  keepState = make("p", { class: "wt-keeping" });
  keep = button("Keep these measurements", () => this.act("freeze", { index: this.state.index }), {
    title: "use these numbers from now on, whatever comes before this step"
  });
  again = button("Measure again", () => this.act("measure_again", { index: this.state.index }), {
    title: "let the step measure the frame it gets"
  });
  plots;
  facts = make(
    "section",
    { class: "wt-measured", "aria-label": "What this step measured" },
    make("h3", {}, "Measured in your stack"),
    this.found,
    this.numbers,
    this.keepState,
    make("div", { class: "wt-group" }, this.keep, this.again)
  );
  masks = new Masks(
    (name, wanted) => this.act(name, { index: this.state.index, ...wanted }),
    () => this.#sender("change_mask"),
    (tool) => this.#take(tool)
  );
  explain = button("Explain", () => this.#explain(), {
    class: "wt-button wt-quiet wt-explain",
    pressed: false,
    title: "show all that is said of every setting"
  });
  head = make(
    "div",
    { class: "wt-settings-head" },
    this.title,
    make("span", { class: "wt-grow" }),
    this.explain,
    this.resetAll
  );
  body = make(
    "div",
    { class: "wt-settings-body" },
    this.head,
    this.summary,
    this.why,
    this.draw,
    this.layer,
    this.basic,
    this.expert,
    this.opacity,
    this.masks.element,
    this.facts
  );
  #home;
  /** Move into the card of the chosen step, where the bench has one; else back to where the settings are at home. */
  #unfold(cards = null) {
    const { root, state } = this;
    const home = this.#home;
    const bench = home && benchOf(home);
    if (!home || !bench || cards instanceof Node && !bench.contains(cards)) return;
    const chosen = state.index !== null && state.index !== void 0;
    const slot = chosen ? bench.querySelector(`[data-slot="${state.key}"]`) : null;
    const place = slot ?? home;
    if (root.parentElement === place) return;
    place.append(root);
    root.dispatchEvent(new CustomEvent(UNFOLDED, { bubbles: true }));
  }
  #explain() {
    const all = this.explain.ariaPressed !== "true";
    attribute(this.explain, "aria-pressed", String(all));
    attribute(this.root, "data-explain", all);
  }
  /** Only `index` is there, and null, where no step is chosen. */
  get state() {
    return this.model.get("state") ?? NOTHING;
  }
  #take(tool) {
    void this.act("tool", { name: tool });
    this.status.say("Draw on the picture now; Escape there puts the tool down.");
  }
  update() {
    const { state } = this;
    const { index } = state;
    const chosen = index !== null && index !== void 0;
    this.none.hidden = chosen;
    this.body.hidden = !chosen;
    if (!chosen) {
      this.#built = "";
      this.#unfold();
      return;
    }
    const built = `${state.key} ${state.id}`;
    if (built !== this.#built) this.#rebuild(state);
    this.#built = built;
    this.title.textContent = `${index + 1} · ${state.title}`;
    for (const field of state.fields) this.rows.get(field.name)?.update(field);
    const changed = state.fields.some((field) => JSON.stringify(field.value) !== JSON.stringify(field.default));
    this.resetAll.hidden = !changed;
    this.#updateLayer(state);
    this.#updateOpacity(state);
    this.masks.update(state);
    this.#updateFacts(state);
    tell(this.root, { index, step: state.id });
    this.#unfold();
  }
  #rebuild(state) {
    this.status.clear();
    this.summary.textContent = state.summary;
    this.whyWords.replaceChildren(
      ...state.why.map((text) => make("p", {}, text)),
      ...state.details.length ? [make("h3", {}, "How it works")] : [],
      ...state.details.map((text) => make("p", { class: "wt-how" }, text))
    );
    this.why.hidden = !state.why.length && !state.details.length;
    this.draw.hidden = !state.tool;
    this.rows = new Map(state.fields.map((field) => [field.name, this.#row(field)]));
    const shown = (expert2) => state.fields.filter((field) => field.expert === expert2).flatMap(({ name }) => this.rows.get(name)?.element ?? []);
    const [basic, expert] = [shown(false), shown(true)];
    this.basic.replaceChildren(
      ...state.fields.length ? basic : [make("p", { class: "wt-soft" }, "This step has nothing to set.")]
    );
    this.expertFields.replaceChildren(...expert);
    this.expertCount.textContent = `(${expert.length})`;
    this.expert.hidden = expert.length === 0;
    this.masks.clear();
    this.#layerRow = null;
    this.#opacityRow = null;
  }
  /** Sends the newest of what a moving control says; the step's place may change while the control stays. */
  #sender(command) {
    return newestOnly(
      ({ live, value, done }) => ask(this.model, command, { index: this.state.index, live, ...value }, { patience: 120 }).then(
        () => {
          this.status.clear();
          done();
        },
        (error) => {
          this.status.fail(error);
          done();
        }
      )
    );
  }
  #row(field) {
    const { name } = field;
    const send = this.#sender("set");
    return settingRow(field, {
      give: (live, value) => {
        const now = this.state.fields.find((each) => each.name === name);
        const { tool, with: along } = now?.first?.[String(value)] ?? {};
        if (!tool) return new Promise((done) => send({ live, value: { [name]: value, ...along }, done }));
        if (now) this.rows.get(name)?.update(now);
        this.#take(tool);
        return Promise.resolve();
      },
      reset: () => this.act("reset", { index: this.state.index, names: [name] }),
      take: (tool) => this.#take(tool)
    });
  }
  #updateLayer({ layer }) {
    this.layer.hidden = !layer;
    if (!layer) return;
    if (!this.#layerRow) {
      const give = (value) => this.act("work_on", { index: this.state.index, layer: value });
      const usual = () => this.act("work_on", { index: this.state.index, layer: null });
      this.#layerRow = settingRow(layer, { give: (_live, value) => give(value), reset: usual });
      this.layer.replaceChildren(this.#layerRow.element);
    }
    this.#layerRow.update(layer);
  }
  #updateOpacity({ opacity }) {
    this.opacity.hidden = !opacity;
    if (!opacity) return;
    if (!this.#opacityRow) {
      const send = this.#sender("fade");
      this.#opacityRow = settingRow(opacity, {
        give: (live, value) => new Promise((done) => send({ live, value: { opacity: value }, done })),
        reset: () => this.act("fade", { index: this.state.index, opacity: 1 })
      });
      this.opacity.replaceChildren(this.#opacityRow.element);
    }
    this.#opacityRow.update(opacity);
  }
  #updateFacts({ facts, plots, picked, found, frozen, drafted, measures, on }) {
    this.facts.hidden = !measures || !on;
    this.found.textContent = drafted ? "Measuring…" : found;
    this.found.classList.toggle("wt-soft", drafted);
    const words = JSON.stringify(facts);
    if (this.factRows.dataset.words !== words) {
      this.factRows.dataset.words = words;
      this.factRows.replaceChildren(
        ...facts.flatMap(([what, value]) => [make("dt", {}, what), make("dd", { class: "wt-figures" }, value)])
      );
    }
    this.plots.update(plots ?? [], picked ?? null);
    this.numbers.hidden = !facts.length;
    this.keepState.textContent = frozen ? "Kept: these numbers are used whatever comes before." : "";
    this.keep.hidden = frozen;
    this.keep.disabled = drafted;
    this.again.hidden = !frozen;
    attribute(this.root, "data-drafted", String(drafted));
  }
};

// ../panels/settings/page.ts
var page_default = panel(
  "settings",
  "Settings of the chosen step",
  (model, mount) => new StepSettings(model, mount)
);
export {
  page_default as default
};
