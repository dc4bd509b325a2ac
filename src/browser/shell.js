// The page's own script: files come in, the command line works on them in workers, its pages are shown. What is computed,
// worded and drawn is the command line's; here stand only roles, choices and the words of commands.
"use strict";
(() => {
  const of = (id) => document.getElementById(id);
  const element = (name, properties = {}, ...children) => {
    const { dataset, attributes, ...rest } = properties;
    const made = Object.assign(document.createElement(name), rest);
    Object.assign(made.dataset, dataset);
    Object.entries(attributes ?? {}).forEach(([key, value]) => made.setAttribute(key, value));
    made.append(...children);
    return made;
  };
  const button = (text, act, properties = {}) => {
    const made = element("button", { type: "button", textContent: text, ...properties });
    made.addEventListener("click", act);
    return made;
  };
  const short = (path) => path.slice(path.lastIndexOf("/") + 1);
  // Steering marks in names would turn the text around them.
  const plain = (text) => text.replace(/[\u0000-\u001f\u007f-\u009f\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069]/gu, "?");

  const ROLES = [
    ["background", "Background"], ["off", "Load off"], ["on", "Load on"], ["on_with_filter", "Load on, with filter"],
    ["off_with_filter", "Load off, with filter"],
  ];
  // Larger ones take minutes here.
  const LARGEST = 2 * 2 ** 30;
  const megabytes = (bytes) => `${Math.ceil(bytes / 1e6)} MB`;

  // ---- Workers, each with the program and the files; work waits until one is free.
  class Cancelled extends Error {}
  class Bench {
    files = new Map();
    workers = [];
    waiting = [];
    number = 0;

    async program() {
      this.compiled ??= new Promise((done, failed) => {
        const worker = this.#begin();
        worker.onmessage = ({ data }) => {
          worker.terminate();
          data.module ? done(data.module) : failed(new Error(data.failed));
        };
        worker.onerror = (event) => failed(new Error(event.message));
        worker.postMessage({ packed: of("module").textContent });
      });
      return this.compiled;
    }

    #begin() {
      return new Worker(URL.createObjectURL(new Blob([of("worker").textContent], { type: "text/javascript" })));
    }

    async worker() {
      const module = await this.program();
      const worker = this.#begin();
      worker.postMessage({ module });
      return { worker, has: new Map(), job: null };
    }

    // Runs a command; `urgent` goes before what waits.
    // A view that waits gives way to one that is asked for later.
    run(words, { urgent = false, said = words[0], view = false } = {}) {
      if (view) {
        const given = this.waiting.filter((job) => job.view);
        this.waiting = this.waiting.filter((job) => !job.view);
        given.forEach((job) => job.failed(new Cancelled("another view was asked for")));
      }
      return new Promise((done, failed) => {
        const job = { words, said, done, failed, view, run: ++this.number };
        urgent ? this.waiting.unshift(job) : this.waiting.push(job);
        this.next();
      });
    }

    async next() {
      tell();
      if (!this.waiting.length) return;
      let free = this.workers.find((one) => !one.job);
      if (!free && this.workers.length < Math.max(1, Math.min(4, navigator.hardwareConcurrency ?? 2))) {
        free = { job: this.waiting.shift() };
        this.workers.push(free);
        try {
          Object.assign(free, await this.worker(), { job: free.job });
        } catch (error) {
          this.workers = this.workers.filter((one) => one !== free);
          free.job.failed(new Error(`this browser cannot start the program: ${error.message}`));
          return;
        }
        if (!this.workers.includes(free)) return free.worker.terminate();
      } else if (free) free.job = this.waiting.shift();
      else return;
      const { job } = free;
      const files = [...this.files].filter(([path, blob]) => free.has.get(path) !== blob).map(([path, blob]) => ({ path, blob }));
      files.forEach(({ path, blob }) => free.has.set(path, blob));
      free.worker.onmessage = ({ data }) => {
        if (data.run !== job.run) return;
        if (data.status === undefined) {
          job.progress = data.progress;
          return tell();
        }
        free.job = null;
        job.done(data);
        this.next();
      };
      free.worker.onerror = (event) => {
        event.preventDefault();
        this.workers = this.workers.filter((one) => one !== free);
        free.worker.terminate();
        job.failed(new Error(event.message || "the work broke off"));
        this.next();
      };
      free.worker.postMessage({ run: job.run, arguments: job.words, files });
      tell();
      this.next();
    }

    cancel() {
      const jobs = [...this.workers.map((one) => one.job).filter(Boolean), ...this.waiting];
      this.workers.forEach((one) => one.worker?.terminate());
      this.workers = [];
      this.waiting = [];
      jobs.forEach((job) => job.failed(new Cancelled("cancelled")));
      tell();
    }

    // Files that are gone stay with a worker; a new one does not know them.
    remove(path) {
      this.files.delete(path);
      this.workers.filter((one) => !one.job).forEach((one) => one.worker.terminate());
      this.workers = this.workers.filter((one) => one.job);
    }
  }
  const bench = new Bench();

  let told = "";
  let telling = 0;
  function tell(words) {
    if (words !== undefined) {
      told = words;
      clearTimeout(telling);
      telling = setTimeout(() => tell(""), 12000);
    }
    const jobs = bench.workers.map((one) => one.job).filter(Boolean);
    const count = jobs.length + bench.waiting.length;
    const first = jobs.find((job) => job.progress) ?? jobs[0];
    const more = count > 1 ? `, ${count - 1} more to do` : "";
    of("said").textContent = count ? `At work: ${first?.said ?? "starting"}${first?.progress ? `, ${first.progress}` : ""}${more}` : told;
    of("cancel").hidden = !count;
    of("status").classList.toggle("busy", count > 0);
    of("status").classList.toggle("told", !count && told !== "");
    document.body.ariaBusy = String(count > 0);
  }

  // ---- Captures, cases, roles.
  const captures = new Map(); // path -> { path, blob, verdict, kind, error, about, options }
  let cases = []; // { name, roles: { on: [paths], ... } }
  let chosen = null;
  const settings = new Map();
  const empty = () => Object.fromEntries(ROLES.map(([key]) => [key, []]));
  const placed = (path) => cases.some(({ roles }) => Object.values(roles).some((paths) => paths.includes(path)));

  // A path as the command line takes it: never an option, never outside of its folder.
  function safe(path) {
    const parts = (path.toWellFormed?.() ?? path).replaceAll("\u0000", "_").split("/").filter((part) => part && part !== "." && part !== "..");
    const joined = parts.join("/") || "capture";
    return joined.startsWith("-") ? `./${joined}` : joined;
  }

  // Files that are no captures by themselves: options beside them, chains, descriptions, the second half of a record.
  const isBeside = (path) => /\.toml$/i.test(path) || /\.dat$/i.test(path) && [...bench.files.keys()].some((other) => other.toLowerCase() === path.toLowerCase().replace(/dat$/, "cfg"));

  async function take(found) {
    found = found.map(({ path, blob }) => ({ path: safe(path), blob }));
    for (const { path, blob } of found) if (blob.size <= LARGEST) bench.files.set(path, blob);
    const fresh = found.filter(({ path }) => !isBeside(path));
    for (const { path, blob } of fresh) captures.set(path, { options: new Map(), ...captures.get(path), path, blob, verdict: "not looked at yet", kind: "waiting", error: null, about: null });
    answers.clear();
    show();
    await Promise.all(fresh.map(({ path }) => inspect(captures.get(path))));
    await propose();
    if (!chosen || !captures.has(chosen)) chosen = null;
    if (!picked) subject = null;
    show();
    const unread = fresh.filter(({ path }) => captures.get(path)?.kind === "unreadable").length;
    tell(`${fresh.length} ${fresh.length === 1 ? "capture" : "captures"} looked at${unread ? `, ${unread} not readable` : ""}.`);
    await ask();
  }

  async function inspect(capture) {
    const { path, blob } = capture;
    if (blob.size > LARGEST) {
      Object.assign(capture, { kind: "unreadable", verdict: "too large for this page", error: `${path} has ${megabytes(blob.size)}; this page takes files of up to ${megabytes(LARGEST)}. The command line takes any length: linewake inspect ${quoted(path)}` });
      return;
    }
    try {
      const { standard_output, standard_error, outputs } = await bench.run(["inspect", path, "--explain", "--json", "-o", "view.html"], { said: `looking at ${plain(short(path))}` });
      const about = standard_output ? JSON.parse(standard_output).captures[0] : null;
      if (about) Object.assign(capture, { about, verdict: about.summary, kind: about.fitness.replaceAll("_", "-"), error: null, page: outputs["view.html"] });
      else Object.assign(capture, { about: null, verdict: "cannot be read", kind: "unreadable", error: standard_error.trim(), page: null });
    } catch (error) {
      Object.assign(capture, { verdict: error instanceof Cancelled ? "not looked at" : "cannot be read", kind: "unreadable", error: error.message });
    }
    showSoon();
  }

  // Many captures at once are shown together.
  let soon = 0;
  function showSoon() {
    soon ||= setTimeout(() => {
      soon = 0;
      show();
    }, 150);
  }

  // Roles by the names of the captures, for those that have none yet.
  async function propose() {
    const usable = [...captures.values()].filter(({ kind, path }) => kind !== "unreadable" && !placed(path));
    if (!usable.length) return;
    let proposed = [];
    try {
      const { status, standard_output } = await bench.run(["survey", "--new", ".", "--json"], { said: "roles by names" });
      if (status < 2) proposed = JSON.parse(standard_output).cases;
    } catch { /* Without a proposal they stay without a role. */ }
    const wanted = new Set(usable.map(({ path }) => path));
    for (const { name, sides } of proposed) {
      const roles = empty();
      for (const { state, captures: paths } of sides) {
        const known = paths.map((path) => (captures.has(path) ? path : `./${path}`)).filter((path) => captures.has(path));
        if (roles[state]) roles[state].push(...known);
      }
      const old = cases.find((one) => one.name === name);
      if (!Object.values(roles).flat().some((path) => wanted.has(path))) continue;
      if (!old) cases.push({ name, roles });
      else for (const [key, paths] of Object.entries(roles)) old.roles[key].push(...paths.filter((path) => !Object.values(old.roles).flat().includes(path)));
    }
    if (!cases.length) cases.push({ name: "first case", roles: empty() });
  }

  // A choice was made in a list of places.
  const close = () => of("cases").querySelector(".moves[open]")?.removeAttribute("open");

  function place(path, from, to, copy = false) {
    close();
    if (from && !copy) from.one.roles[from.role] = from.one.roles[from.role].filter((other) => other !== path);
    if (to && !to.one.roles[to.role].includes(path)) to.one.roles[to.role].push(path);
    show();
    of("cases").querySelector(`[data-path="${CSS.escape(path)}"] summary`)?.focus();
    tell(to ? `${plain(short(path))} is ${ROLES.find(([key]) => key === to.role)[1].toLowerCase()} of ${plain(to.one.name)}.` : `${plain(short(path))} has no role there any more.`);
    ask();
  }

  function show() {
    // What was to be shown soon is shown now; a later redraw would close a list that was opened meanwhile.
    clearTimeout(soon);
    soon = 0;
    // A list of places that is open stays; what is new is shown when it is closed.
    const list = of("cases").querySelector(".moves[open]");
    if (list) {
      list.addEventListener("toggle", show, { once: true });
      return;
    }
    const any = captures.size > 0;
    of("roles").hidden = of("results").hidden = of("job").hidden = !any;
    if (!any) return;
    const shown = cases.map((one) => caseBox(one));
    const loose = [...captures.keys()].filter((path) => !placed(path));
    if (loose.length || !cases.length) {
      shown.unshift(element("div", { className: "case" }, element("div", { className: "lanes" }, lane("Without a role", loose, null))));
    }
    const held = document.activeElement?.closest?.("[data-path]")?.dataset.path;
    const part = document.activeElement?.matches?.("summary") ? "summary" : ".name";
    of("cases").replaceChildren(...shown);
    if (held) of("cases").querySelector(`[data-path="${CSS.escape(held)}"] ${part}`)?.focus();
    card();
    subjects();
  }

  function caseBox(one) {
    const name = element("input", { type: "text", value: one.name, ariaLabel: "Name of the case" });
    name.addEventListener("change", () => { one.name = name.value.trim() || "case"; subjects(); });
    const away = button("Remove the case", () => {
      cases = cases.filter((other) => other !== one);
      show();
      ask();
    }, { ariaLabel: `Remove the case ${plain(one.name)}` });
    return element("section", { className: "case", ariaLabel: `Case ${plain(one.name)}` },
      element("div", { className: "case-head" }, name, away),
      element("div", { className: "lanes" }, ...ROLES.map(([role, title]) => lane(title, one.roles[role], { one, role }))));
  }

  function lane(title, paths, at) {
    const made = element("div", { className: "lane" }, element("h3", { textContent: title }),
      paths.length ? element("ul", {}, ...paths.map((path) => item(path, at))) : element("p", { textContent: "none" }));
    made.addEventListener("dragover", (event) => {
      if (!event.dataTransfer.types.includes("text/x-place")) return;
      event.preventDefault();
      made.classList.add("over");
    });
    made.addEventListener("dragleave", () => made.classList.remove("over"));
    made.addEventListener("drop", (event) => {
      if (!dragged) return;
      event.preventDefault();
      event.stopPropagation();
      place(dragged.path, dragged.at, at, event.ctrlKey);
      dragged = null;
    });
    return made;
  }

  let dragged = null;
  function item(path, at) {
    const capture = captures.get(path);
    const name = button(plain(short(path)), () => { chosen = path; subject = view.one ? { path } : subject; show(); of("capture").scrollIntoView({ block: "nearest" }); ask(); }, { className: "name", title: plain(path) });
    // A list of buttons and no select, whose arrow keys would move the capture at the first press.
    const moves = element("details", { className: "moves", name: "moves" }, element("summary", { textContent: "Move", ariaLabel: `Move ${plain(short(path))}` }));
    moves.addEventListener("toggle", () => {
      if (!moves.open || moves.childElementCount > 1) return;
      const group = (title, buttons) => (buttons.length ? [element("p", { textContent: title }), ...buttons] : []);
      const to = (copy) => cases.filter((one) => !copy || one !== at.one).flatMap((one) => ROLES.filter(([role]) => at?.one !== one || at.role !== role)
        .map(([role, title]) => button(cases.length > 1 ? `${plain(one.name)}: ${title.toLowerCase()}` : title, () => place(path, at, { one, role }, copy))));
      moves.append(element("div", { className: "places" }, ...group("Move to", to(false)), ...group("Use as well as", at ? to(true) : []),
        ...group("Take out", [...(at ? [button("of this case", () => place(path, at, null))] : []), button("of the page", () => remove(path))])));
    });
    moves.addEventListener("keydown", (event) => {
      if (event.key !== "Escape") return;
      moves.open = false;
      moves.firstElementChild.focus();
    });
    moves.addEventListener("focusout", (event) => { if (event.relatedTarget && !moves.contains(event.relatedTarget)) moves.open = false; });
    const made = element("li", { className: "item", draggable: true, dataset: { path } }, name,
      element("p", { className: `verdict ${capture?.kind}`, textContent: capture?.verdict ?? "" }), moves);
    made.addEventListener("dragstart", (event) => {
      dragged = { path, at };
      event.dataTransfer.setData("text/x-place", "");
      event.dataTransfer.effectAllowed = "copyMove";
    });
    return made;
  }

  function remove(path) {
    close();
    captures.delete(path);
    bench.remove(path);
    bench.files.delete(`${path}.toml`);
    for (const { roles } of cases) for (const key in roles) roles[key] = roles[key].filter((other) => other !== path);
    if (chosen === path) chosen = null;
    show();
    ask();
  }

  // ---- The chosen capture: how it was read, and fields to correct that.
  let carded = null;
  async function card() {
    const capture = captures.get(chosen);
    of("capture").hidden = !capture;
    if (!capture) { carded = null; return; }
    // A look again makes another object.
    if (carded?.path === chosen && carded.about === capture.about && carded.error === capture.error) return;
    carded = { path: chosen, about: capture.about, error: capture.error };
    const opened = [...of("capture").querySelectorAll(":scope > details")].map((details) => details.open);
    const held = document.activeElement?.id;
    const head = element("h3", { textContent: plain(capture.path) });
    const verdict = element("p", {}, element("strong", { textContent: capture.verdict }));
    const how = element("details", { open: opened[0] || capture.kind === "unreadable" }, element("summary", { textContent: "How it was read" }));
    if (capture.error) how.append(element("p", { className: "failed", textContent: capture.error }));
    else if (capture.page) {
      const parts = sections(capture.page).filter((part) => part.id === "summary");
      how.append(...parts.flatMap((part) => [...part.children].slice(1)));
      how.querySelectorAll("[id]").forEach((one) => one.removeAttribute("id"));
      page.wake(how);
    }
    const correct = element("details", { open: opened[1] || capture.kind === "unreadable" }, element("summary", { textContent: "Correct how it is read" }));
    of("capture").replaceChildren(head, verdict, how, correct);
    const options = (await optionsOf("inspect")).filter(({ heading, name }) => heading === "Reading" && !["from", "to", "setup", "max-memory"].includes(name));
    const path = `${capture.path}.toml`;
    if (bench.files.has(path) && !capture.options.size) {
      correct.append(element("p", { textContent: `${plain(path)} says how it is read; change it there.` }));
      return;
    }
    const changed = async (option, value) => {
      value ? capture.options.set(option.name, value) : capture.options.delete(option.name);
      bench.files.set(path, new Blob([sidecar(capture.options)], { type: "application/toml" }));
      answers.clear();
      await inspect(capture);
      await ask();
    };
    correct.append(element("p", { textContent: "What stands here goes into a file of options beside the capture; the survey description takes it along." }),
      fields("read", options.filter(({ name }) => name !== "air-file"), (name) => capture.options.get(name), changed));
    if (held?.startsWith("read-")) of(held)?.focus();
  }

  // A text in quotes as TOML has it.
  const inQuotes = (text) => JSON.stringify(text.toWellFormed?.() ?? text).replaceAll("\u007f", "\\u007f");
  function sidecar(options) {
    const lists = ["channels", "scale"];
    const value = (name, text) => text === "yes" ? "true" : ["skip-lines", "record"].includes(name) && /^\d+$/.test(text) ? text
      : lists.includes(name) && text.includes(",") ? `[${text.split(",").map((part) => inQuotes(part.trim())).join(", ")}]` : inQuotes(text);
    return `[read]\n${[...options].map(([name, text]) => `${name} = ${value(name, text)}\n`).join("")}`;
  }

  // ---- Options, as the commands explain them themselves.
  const helps = new Map();
  function optionsOf(command) {
    if (!helps.has(command)) {
      helps.set(command, bench.run([command, "--help"], { urgent: true, said: "options" }).then(({ standard_output }) => explained(standard_output)));
      helps.get(command).catch(() => helps.delete(command));
    }
    return helps.get(command);
  }

  function explained(help) {
    const options = [];
    let heading = "";
    let option = null;
    for (const line of help.split("\n")) {
      const head = line.match(/^(\S.*):$/);
      const flag = line.match(/^ {2,6}(?:-\w, )?--([\w-]+)(?: <(.+)>(?:\.\.\.)?)?$/);
      if (head) [heading, option] = [head[1], null];
      else if (flag) options.push(option = { name: flag[1], value: flag[2] ?? null, heading, text: "" });
      else if (option && line.trim()) option.text += `${option.text ? " " : ""}${line.trim()}`;
    }
    for (const one of options) {
      one.usual = one.text.match(/\[default: (.*?)\]/)?.[1] ?? "";
      one.text = one.text.replace(/ ?\[default: .*?\]/, "");
    }
    return options;
  }

  function fields(prefix, options, held, changed) {
    return element("div", { className: "fields" }, ...options.map((option) => {
      const id = `${prefix}-${option.name}`;
      let input;
      if (option.value === null) {
        input = element("input", { type: "checkbox", id, checked: held(option.name) === "yes" });
        input.addEventListener("change", () => changed(option, input.checked ? "yes" : ""));
      } else if (option.value.endsWith(".toml")) {
        const files = [...bench.files.keys()].filter((path) => /\.toml$/i.test(path));
        input = element("select", { id }, element("option", { value: "", textContent: files.length ? "none" : "none; drop one above" }), ...files.map((path) => element("option", { value: path, textContent: plain(path) })));
        input.value = held(option.name) ?? "";
        input.addEventListener("change", () => changed(option, input.value));
      } else {
        input = element("input", { type: "text", id, value: held(option.name) ?? "", placeholder: option.usual, spellcheck: false, autocomplete: "off" });
        input.addEventListener("change", () => changed(option, input.value.trim()));
      }
      input.setAttribute("aria-describedby", `${id}-what`);
      const name = option.name.replaceAll("-", " ");
      return element("div", { className: "field" }, element("label", { htmlFor: id, textContent: name[0].toUpperCase() + name.slice(1) }),
        element("p", { id: `${id}-what`, textContent: `${option.text}.${option.usual && option.value !== null ? ` Usual: ${option.usual}.` : ""}` }), input);
    }));
  }

  // ---- Views: what each needs, and the words of its command.
  const reference = ({ roles }) => (roles.off.length ? roles.off : roles.background);
  const ofCapture = (more = () => []) => ({ path }) => [path, ...more()];
  const change = ({ roles }) => ["--before", ...roles.on, "--after", ...roles.on_with_filter];
  const needsBoth = ({ roles }) => [...(roles.on.length ? [] : ["a capture with the load on"]), ...(roles.on_with_filter.length ? [] : ["a capture with the load on and the filter in place"])];
  const VIEWS = [
    { name: "waveform", title: "Waveform", one: ({ path }) => [path, "--columns", "16000", ...(settings.has("cycles") ? [] : ["--cycles", "1000"])],
      all: ({ roles }) => [...reference({ roles }).slice(0, 1), ...roles.on.slice(0, 1), ...roles.on_with_filter.slice(0, 1)].concat(["--columns", "5000"]), allTitle: "off, on and with filter side by side", needs: ({ roles }) => (roles.on.length ? [] : ["a capture with the load on"]) },
    { name: "spectrum", title: "Spectrum", one: ofCapture() },
    { name: "bands", title: "Bands", one: ofCapture() },
    { name: "added", title: "Added", what: "What the load adds", all: (one) => ["--off", ...reference(one), "--on", ...one.roles.on],
      needs: (one) => [...(reference(one).length ? [] : ["a capture with the load off, or of the background"]), ...(one.roles.on.length ? [] : ["a capture with the load on"])] },
    { name: "compare", title: "Compare", what: "What the filter changes", needs: needsBoth,
      all: (one) => [...change(one), ...(reference(one).length ? ["--off", ...reference(one)] : []), ...(reference(one).length && one.roles.off_with_filter.length ? ["--off-after", ...one.roles.off_with_filter] : [])] },
    { name: "coupling", title: "Coupling", one: ofCapture(), all: change, allTitle: "with the filter, does the air follow?", needs: needsBoth },
    { name: "receiver", title: "Receiver", one: ofCapture() },
    { name: "phase-map", title: "Phase map", one: ofCapture() },
    { name: "emissions", title: "Emissions", one: ofCapture(), all: change, allTitle: "what became of them with the filter", needs: needsBoth },
    { name: "transients", title: "Impulses", one: ofCapture() },
  ];
  let view = VIEWS[0];
  let subject = null; // { one } or { path }
  let picked = false; // Whether a person chose it.
  const tabs = VIEWS.map((one, k) => {
    const tab = button(one.title, () => open(one), { id: `tab-${one.name}` });
    tab.setAttribute("role", "tab");
    tab.setAttribute("aria-controls", "view");
    tab.addEventListener("keydown", (event) => {
      const to = { ArrowRight: k + 1, ArrowLeft: k - 1, Home: 0, End: VIEWS.length - 1 }[event.key];
      if (to === undefined) return;
      event.preventDefault();
      tabs[(to + VIEWS.length) % VIEWS.length].focus();
      open(VIEWS[(to + VIEWS.length) % VIEWS.length]);
    });
    return tab;
  });
  of("tabs").append(...tabs);

  function open(one) {
    view = one;
    detail = null;
    subjects();
    ask();
  }

  // What the view can be of: captures, cases.
  function subjects() {
    tabs.forEach((tab, k) => {
      tab.ariaSelected = String(VIEWS[k] === view);
      tab.tabIndex = VIEWS[k] === view ? 0 : -1;
    });
    of("view").setAttribute("aria-labelledby", `tab-${view.name}`);
    const choices = [];
    const option = (textContent, value) => { choices.push(value); return element("option", { value: String(choices.length - 1), textContent }); };
    const select = of("subject");
    const options = [];
    if (view.all) options.push(...cases.map((one) => option(`${plain(one.name)}${view.allTitle ? `: ${view.allTitle}` : ""}`, { one })));
    if (view.one) {
      const paths = [...captures.values()].filter(({ kind }) => kind !== "unreadable").map(({ path }) => path);
      options.push(element("optgroup", { label: "Single captures" }, ...paths.map((path) => option(plain(short(path)), { path }))));
    }
    select.replaceChildren(...options);
    select.choices = choices;
    const same = (a, b) => a && b && a.one === b.one && a.path === b.path;
    let at = choices.findIndex((choice) => same(choice, subject));
    if (at < 0 && subject?.one && !view.all) at = choices.findIndex(({ path }) => path && subject.one.roles.on.includes(path));
    if (at < 0 && subject?.path && !view.one) at = choices.findIndex(({ one }) => one && Object.values(one.roles).flat().includes(subject.path));
    const whole = choices.findIndex(({ one }) => one && view.needs(one).length === 0);
    if (at < 0 && (view.name === "waveform" || !view.one)) at = whole;
    if (at < 0) at = choices.findIndex(({ path }) => cases.some(({ roles }) => roles.on.includes(path)));
    if (at < 0) at = whole;
    if (at < 0) at = 0;
    select.value = String(at);
    subject = choices[at] ?? null;
  }
  of("subject").addEventListener("change", () => {
    subject = of("subject").choices[Number(of("subject").value)];
    picked = true;
    detail = null;
    ask();
  });

  // Words of the settings that a command knows.
  async function inForce(command) {
    const known = await optionsOf(command);
    return known.filter(({ name }) => settings.has(name)).flatMap(({ name, value }) => (value === null ? [`--${name}`] : [`--${name}`, settings.get(name)]));
  }

  const quoted = (word) => (/^[\w./:=,+@%-]+$/.test(word) ? word : `'${word.replaceAll("'", "'\\''")}'`);
  const worded = (words) => ["linewake", ...words].map((word) => quoted(plain(word))).join(" ");

  // ---- Answers.
  const answers = new Map();
  let asked = 0;
  let detail = null; // A stretch of the waveform that is looked at more closely.
  async function ask() {
    const mine = ++asked;
    of("after").hidden = true;
    const missing = !subject ? ["a capture that can be read"] : subject.one ? view.needs(subject.one) : [];
    of("needs").hidden = missing.length === 0;
    options();
    if (missing.length) {
      of("needs").textContent = `${view.what ?? view.title} still needs ${missing.join(" and ")}.${subject ? " Give captures these roles above." : ""}`;
      fill([]);
      return;
    }
    const answer = of("answer");
    answer.classList.add("old");
    let words;
    try {
      const own = subject.one ? view.all(subject.one) : view.one(subject);
      words = [view.name, ...own, ...await inForce(view.name)];
      if (detail) words.push("--from", `${detail[0]}s`, "--to", `${detail[1]}s`);
      const key = JSON.stringify(words);
      if (!answers.has(key)) {
        answers.set(key, bench.run([...words, "--json", "-o", "view.html"], { urgent: true, view: true, said: view.title.toLowerCase() }));
        if (answers.size > 40) answers.delete(answers.keys().next().value);
        answers.get(key).catch(() => answers.delete(key));
      }
      const made = await answers.get(key);
      if (mine !== asked) return;
      const bytes = made.outputs["view.html"];
      if (!bytes) fill([failure(made.standard_error)]);
      else fill(sections(bytes));
      drawn = { words, json: made.standard_output, html: bytes };
      of("command").textContent = worded(words);
      saves();
      of("after").hidden = false;
    } catch (error) {
      if (mine !== asked) return;
      fill([failure(error.message)]);
    }
  }

  const failure = (text) => element("div", { className: "notice missing" }, element("p", { className: "failed", textContent: text.trim() || "nothing came back" }));

  function fill(parts) {
    const answer = of("answer");
    page.forget(answer);
    answer.replaceChildren(...parts);
    answer.classList.remove("old");
    if (detail && parts.length) answer.prepend(element("p", {}, `A stretch, more closely: ${(1e3 * detail[0]).toFixed(3)} to ${(1e3 * detail[1]).toFixed(3)} ms. `, button("Back to the whole", () => { detail = null; ask(); })));
    page.wake(answer);
  }

  // The parts of a page that a command made. Scripts in it were parsed without a window and never run.
  function sections(bytes) {
    const made = new DOMParser().parseFromString(new TextDecoder().decode(bytes), "text/html");
    return [...made.querySelectorAll("main > section")].map((part) => document.adoptNode(part));
  }

  // Where a plot in time holds fewer spans than the screen has columns, the command looks again, there only.
  let looking = 0;
  of("answer").addEventListener("looked", ({ detail: { min, max, spans, width } }) => {
    clearTimeout(looking);
    if (view.name !== "waveform" || !subject?.path || spans === null || spans > width / 3 || !drawn) return;
    // The document is long, and only two of its numbers are asked for; its settings come before.
    const from = drawn.json.indexOf('"captures": [');
    const number = (key) => Number(drawn.json.slice(drawn.json.indexOf(`"${key}": `, from)).match(/: ([^,\s]+)/)?.[1]);
    const [width_s, rate] = [number("column_s"), number("sample_rate_hz")];
    if (!(width_s * rate >= 1.5)) return;
    looking = setTimeout(() => { detail = [min / 1e3, max / 1e3]; ask(); }, 600);
  });

  function save(name, bytes, type) {
    const url = URL.createObjectURL(new Blob([bytes], { type }));
    element("a", { href: url, download: name }).click();
    setTimeout(() => URL.revokeObjectURL(url), 10000);
  }

  let drawn = null;
  const TYPES = { csv: "text/csv", json: "application/json", png: "image/png", svg: "image/svg+xml", html: "text/html" };
  function saves() {
    const { words, json, html } = drawn;
    const made = (ending) => async () => {
      if (ending === "json") return save(`${words[0]}.json`, json, TYPES.json);
      if (ending === "html") return save(`${words[0]}.html`, html, TYPES.html);
      const name = `${words[0]}.${ending}`;
      try {
        const { outputs, standard_error } = await bench.run([...words, "-o", name], { urgent: true, said: name });
        if (outputs[name]) save(name, outputs[name], TYPES[ending]);
        else tell(standard_error.split("\n")[0]);
      } catch (error) { tell(error.message); }
    };
    of("saves").hidden = !html && !json;
    of("saves").replaceChildren("Save: ", ...[["csv", "Table (CSV)"], ["json", "All values (JSON)"], ["png", "Picture (PNG)"], ["svg", "Drawing (SVG)"], ["html", "This view (HTML)"]]
      .filter(([ending]) => html || ending === "json" && json).map(([ending, title]) => button(title, made(ending))));
  }

  const HIDDEN = ["help", "json", "output", "force", "fail-on", "air-file", "before", "after", "off", "on", "off-after", "files-from", "shard", "partial", "pool", "columns", "max-memory", "extend", "course"];
  const READING = ["from", "to", "setup"];
  let optioned = null;
  async function options() {
    const mine = view.name;
    if (optioned === `${mine} ${bench.files.size}`) return;
    try {
      const known = await optionsOf(mine);
      if (mine !== view.name) return;
      optioned = `${mine} ${bench.files.size}`;
      const usable = known.filter(({ name, heading }) => !HIDDEN.includes(name) && heading !== "Output" && (heading !== "Reading" || READING.includes(name)));
      const changed = ({ name }, value) => {
        value ? settings.set(name, value) : settings.delete(name);
        detail = null;
        ask();
      };
      of("options").replaceChildren(element("p", { textContent: "They hold for every view that knows them. An empty field is as usual." }), fields("set", usable, (name) => settings.get(name), changed),
        button("Save an example of a measuring chain", async () => {
          const { standard_output } = await bench.run(["setup", "--new"], { urgent: true, said: "an example of a chain" });
          save("chain.toml", standard_output, "application/toml");
        }));
    } catch (error) { of("options").replaceChildren(failure(error.message)); }
  }

  // ---- The whole job.
  function description() {
    const lines = ["# Made by the page of linewake; run it with \"linewake survey\" and this file, in the folder of the captures.", 'title = "Survey of captures"', ""];
    const kept = [["range", "range"], ["rbw", "rbw"], ["bands", "bands"], ["mains", "mains"]].filter(([name]) => settings.has(name));
    const value = (text) => (/^\d+(\.\d+)?$/.test(text) ? text : inQuotes(text));
    const analysis = kept.map(([name, key]) => `${key} = ${value(settings.get(name))}`);
    if (settings.get("repeat") === "yes") analysis.push("repeat = true");
    if (analysis.length) lines.push("[analysis]", ...analysis, "");
    if (settings.has("setup")) lines.push("[[instrument]]", 'name = "recorder"', `setup = ${inQuotes(settings.get("setup"))}`, "");
    for (const { name, roles } of cases) {
      const sides = ROLES.filter(([role]) => roles[role].length);
      if (!sides.length) continue;
      lines.push("[[case]]", `name = ${inQuotes(name)}`);
      if (settings.has("setup")) lines.push('instrument = "recorder"');
      for (const [role] of sides) lines.push(`${role} = [${roles[role].map(inQuotes).join(", ")}]`);
      lines.push("");
    }
    return lines.join("\n");
  }

  of("save-description").addEventListener("click", () => {
    save("survey.toml", description(), "application/toml");
    for (const { path, options } of captures.values()) if (options.size) save(`${short(path)}.toml`, sidecar(options), "application/toml");
  });
  of("make-report").addEventListener("click", async () => {
    bench.files.set("survey.toml", new Blob([description()], { type: "application/toml" }));
    try {
      const { outputs, standard_error, standard_output } = await bench.run(["survey", "survey.toml", "-o", "report.html", "--force"], { urgent: true, said: "the report" });
      const report = outputs["report.html"];
      if (!report) return of("made").replaceChildren(element("li", {}, failure(standard_error)));
      const sentences = standard_output.split("\n\n")[0].split("\n").filter(Boolean);
      of("made").replaceChildren(...sentences.map((textContent) => element("li", { textContent })),
        element("li", {}, button(`Save the report (${megabytes(report.length)})`, () => save("report.html", report, TYPES.html))));
      tell("The report is made.");
    } catch (error) { of("made").replaceChildren(element("li", {}, failure(error.message))); }
  });

  // ---- Files come in.
  async function entries(entry, found) {
    if (entry.isFile) {
      const blob = await new Promise((done, failed) => entry.file(done, failed));
      found.push({ path: entry.fullPath.replace(/^\/+/, ""), blob });
    } else if (entry.isDirectory) {
      const reader = entry.createReader();
      for (;;) {
        const some = await new Promise((done, failed) => reader.readEntries(done, failed));
        if (!some.length) break;
        for (const inner of some) await entries(inner, found);
      }
    }
  }
  addEventListener("dragover", (event) => {
    if (!event.dataTransfer?.types.includes("Files")) return;
    event.preventDefault();
    of("drop").classList.add("over");
  });
  addEventListener("dragleave", (event) => { if (!event.relatedTarget) of("drop").classList.remove("over"); });
  addEventListener("drop", async (event) => {
    of("drop").classList.remove("over");
    if (!event.dataTransfer?.types.includes("Files")) return;
    event.preventDefault();
    const roots = [...event.dataTransfer.items].filter(({ kind }) => kind === "file").map((one) => one.webkitGetAsEntry?.() ?? one.getAsFile());
    const found = [];
    try {
      for (const root of roots) root instanceof File ? found.push({ path: root.name, blob: root }) : await entries(root, found);
    } catch (error) { tell(`Some files could not be had: ${error.message}`); }
    if (found.length) await take(found.filter(({ path }) => !/(^|\/)\./.test(path)));
  });
  for (const [chooser, input] of [["choose-files", "files"], ["choose-folder", "folder"]]) {
    of(chooser).addEventListener("click", () => of(input).click());
    of(input).addEventListener("change", async () => {
      const found = [...of(input).files].map((blob) => ({ path: blob.webkitRelativePath || blob.name, blob }));
      of(input).value = "";
      if (found.length) await take(found);
    });
  }
  of("example").addEventListener("click", async () => {
    of("example").disabled = true;
    try {
      const { outputs, standard_error } = await bench.run(["demo", "studio", "--captures-only"], { urgent: true, said: "an invented studio is measured" });
      const found = Object.entries(outputs).filter(([path]) => /^studio\/captures\/.*\.csv$/.test(path)).map(([path, bytes]) => ({ path: path.replace(/^studio\/captures\//, ""), blob: new Blob([bytes]) }));
      if (found.length) await take(found);
      else tell(standard_error.split("\n")[0]);
    } catch (error) { tell(error instanceof Cancelled ? "Cancelled." : error.message); }
    of("example").disabled = false;
  });
  of("new-case").addEventListener("click", () => {
    cases.push({ name: `case ${cases.length + 1}`, roles: empty() });
    show();
    [...of("cases").querySelectorAll(".case-head input")].at(-1).select();
  });
  of("cancel").addEventListener("click", () => { bench.cancel(); tell("Cancelled."); });
  // Made ready while the files are looked for; whatever fails is told when it is needed.
  bench.program().catch(() => {});
})();
