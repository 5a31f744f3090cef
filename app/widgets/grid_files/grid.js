// A grid for typing records: keyboard only if one likes, or by finger; nothing typed is lost.
// Every text that comes in goes into the page by textContent or an input's value, never as markup.

const KEEP = "wallfoot-typed:";

export default function (component) {
  const { data, parentElement, setStateValue } = component;
  let grid = parentElement.wallfootGrid;
  if (!grid || grid.name !== data.name) {
    grid = parentElement.wallfootGrid = new Grid(parentElement, data);
  }
  grid.send = (edits) => setStateValue("edits", edits);
  grid.take(data);
}

class Grid {
  constructor(parent, data) {
    this.name = data.name;
    this.rows = [];
    this.seq = 0;
    this.first = true;
    this.timer = null;
    const root = parent.querySelector(".wf-grid") || parent;
    root.replaceChildren();
    this.bar = add(root, "div", "bar");
    this.frame = add(root, "div", "frame");
    this.table = add(this.frame, "table");
    this.head = add(this.table, "thead");
    this.body = add(this.table, "tbody");
    this.lists = add(root, "div");
    this.said = add(root, "p", "said");
    this.said.setAttribute("role", "status");
    this.table.addEventListener("keydown", (event) => this.onKey(event));
    this.table.addEventListener("input", (event) => this.onInput(event));
    this.table.addEventListener("paste", (event) => this.onPaste(event));
    this.table.addEventListener("focusin", (event) => { this.at = event.target; this.showBar(); });
    this.table.addEventListener("change", (event) => this.onChange(event));
    this.named = "";
  }

  // ---- what Python says -------------------------------------------------------------------------
  take(data) {
    this.columns = data.columns;
    const named = data.columns.map((column) => column.name + " " + column.unit).join("|");
    if (this.run !== undefined && this.run !== data.run) { this.beginAgain(); }
    this.run = data.run;
    if (named !== this.named) { this.named = named; this.drawHead(); this.showBar(); this.body.replaceChildren(); }
    const mine = new Map(this.rows.map((row) => [row.key, row]));
    if (this.first) { for (const row of this.kept()) { mine.set(row.key, row); } }
    const rows = [];
    const told = new Set();
    for (const given of data.rows) {
      told.add(given.key);
      const own = mine.get(given.key);
      if (own && own.seq > data.acked) {
        if (!own.again) { Object.assign(own, { id: given.record_id, base: given.base }); }
        rows.push(Object.assign(own, { state: "typed" }));
      } else {
        const row = own || { key: given.key };
        rows.push(Object.assign(row, {
          cells: given.cells, said: given.said, notes: given.notes, told: given.told, state: given.state,
          fresh: given.fresh, id: given.record_id, base: given.base, again: false,
          seq: own ? own.seq : 0,
        }));
      }
    }
    for (const row of mine.values()) {
      if (told.has(row.key) || row.gone) { continue; }
      if (row.again && row.seq <= data.acked) { continue; }
      if (row.seq > data.acked || !this.typed(row)) { rows.push(row); }
    }
    this.rows = rows;
    while (this.spare() < data.spare) { this.rows.push(blank()); }
    this.acked = data.acked;
    this.seq = Math.max(this.seq, data.acked);
    this.draw();
    this.keep();
    if (this.first) {
      this.first = false;
      const unsaved = this.rows.filter((row) => row.recovered);
      if (unsaved.length) {
        this.say(unsaved.length + " typed before and not saved then; they are here and are saved now.");
        unsaved.forEach((row) => { row.recovered = false; this.touch(row); });
        this.sendSoon(0);
      }
    }
    if (data.told) { this.say(data.told); }
    clearTimeout(this.later);
    if (this.rows.some((row) => row.state === "kept")) {
      this.later = setTimeout(() => {
        this.rows.filter((row) => row.state === "kept").forEach((row) => this.touch(row));
        this.sendSoon(0);
      }, 6000);
    }
    if (!this.opened) {
      this.opened = true;
      if (data.focus && matchMedia("(pointer: fine)").matches) {
        this.go(this.rows.findIndex((row) => !this.typed(row)), 0);
      }
    }
  }

  // The program forgot what it knew of this page (it was stopped, or the page was away for long): what it
  // has not saved is sent again, what it saved it will tell by itself.
  beginAgain() {
    this.rows = this.rows.filter((row) => row.state !== "saved" && !row.gone && this.typed(row));
    this.rows.forEach((row) => Object.assign(row, { again: true, recovered: true, seq: Number.MAX_SAFE_INTEGER }));
    this.seq = 0;
    this.leaving = [];
    this.first = true;
  }

  spare() {
    let count = 0;
    for (let i = this.rows.length - 1; i >= 0 && !this.typed(this.rows[i]); i -= 1) { count += 1; }
    return count;
  }

  typed(row) {
    return this.columns.some((column) => !column.carry && (row.cells[column.name] || "").trim() !== "");
  }

  // ---- what is kept in the browser until it is saved -----------------------------------------------
  keep() {
    const open = this.rows.filter((row) => row.state !== "saved" && this.typed(row));
    try {
      if (open.length) {
        localStorage.setItem(KEEP + this.name, JSON.stringify(open.map((row) => [row.key, row.cells, row.id, row.base])));
      } else {
        localStorage.removeItem(KEEP + this.name);
      }
    } catch (error) {
      this.say("This browser keeps nothing: what is typed is safe only once it says saved.");
    }
  }

  kept() {
    try {
      const found = JSON.parse(localStorage.getItem(KEEP + this.name) || "[]");
      return found.map(([key, cells, id, base]) => ({ key, cells, id, base, again: true, said: {}, notes: {}, told: "", state: "typed",
        seq: Number.MAX_SAFE_INTEGER, recovered: true }));
    } catch (error) { return []; }
  }

  // ---- drawing -----------------------------------------------------------------------------------
  drawHead() {
    const row = document.createElement("tr");
    add(row, "th", "sign");
    for (const column of this.columns) {
      const cell = add(row, "th");
      cell.scope = "col";
      cell.textContent = column.label + (column.unit ? ", " + column.unit : "") + (column.needed ? " *" : "");
      cell.title = column.hint;
    }
    const last = add(row, "th", "told");
    last.textContent = "where";
    this.head.replaceChildren(row);
    this.lists.replaceChildren();
    for (const column of this.columns) {
      const words = Object.values(column.words || {});
      if (!words.length) { continue; }
      const list = add(this.lists, "datalist");
      list.id = "wf-words-" + this.name.replace(/[^a-z0-9]/gi, "") + "-" + column.name;
      for (const word of words) { add(list, "option").value = word; }
    }
  }

  draw() {
    const have = new Map();
    for (const line of this.body.children) { have.set(line.dataset.key, line); }
    const above = {};
    let last = null;
    for (const row of this.rows) {
      let line = have.get(row.key);
      if (!line) { line = this.newLine(row); }
      have.delete(row.key);
      this.fill(line, row, above);
      const wanted = last ? last.nextSibling : this.body.firstChild;
      if (wanted !== line) { this.body.insertBefore(line, wanted); }
      last = line;
    }
    for (const line of have.values()) { line.remove(); }
  }

  newLine(row) {
    const line = document.createElement("tr");
    line.dataset.key = row.key;
    add(line, "td", "sign");
    for (const column of this.columns) {
      const cell = add(line, "td", "cell");
      const input = add(cell, "input");
      input.dataset.column = column.name;
      input.autocomplete = "off";
      input.spellcheck = false;
      input.setAttribute("aria-label", column.label + (column.unit ? ", " + column.unit : ""));
      if (column.type === "number") { input.inputMode = "decimal"; input.classList.add("number"); }
      if (column.type === "value") { input.classList.add("number"); }
      if (Object.keys(column.words || {}).length) {
        input.setAttribute("list", "wf-words-" + this.name.replace(/[^a-z0-9]/gi, "") + "-" + column.name);
      }
      if (Object.values(column.words || {}).some((word) => word.length > 16)) { input.classList.add("wide"); }
      add(cell, "div", "message");
    }
    add(line, "td", "told");
    return line;
  }

  fill(line, row, above) {
    const active = line.getRootNode().activeElement;
    const typed = this.typed(row);
    this.columns.forEach((column, i) => {
      const cell = line.children[i + 1];
      const input = cell.firstChild;
      const value = row.cells[column.name] || "";
      if (input !== active && input.value !== value) { input.value = value; }
      const carried = column.carry && !value && row.fresh !== false ? above[column.name] || "" : "";
      if (input.placeholder !== carried) { input.placeholder = carried; }
      if (column.carry && value) { above[column.name] = value; }
      const wrong = (row.said || {})[column.name] || "";
      const note = (row.notes || {})[column.name] || "";
      const words = typed ? wrong || note : "";
      if (cell.lastChild.textContent !== words) { cell.lastChild.textContent = words; }
      cell.classList.toggle("wrong", Boolean(typed && wrong));
      input.setAttribute("aria-invalid", typed && wrong ? "true" : "false");
    });
    const told = line.lastChild;
    const whole = (row.said || {})[""] || "";
    const text = typed ? whole || row.told || "" : "";
    if (told.textContent !== text) { told.textContent = text; }
    const sign = line.firstChild;
    const state = !typed ? "" : row.state || "typed";
    if (sign.dataset.state !== state) {
      sign.dataset.state = state;
      sign.textContent = { saved: "✓", typed: "…", wrong: "!", part: "…", kept: "↻", stuck: "↻" }[state] || "";
      sign.title = {
        saved: "saved", typed: "being saved", wrong: "something here is not right: kept, not saved",
        part: "not whole yet: kept, not saved", kept: "could not be saved yet: kept here and tried again",
        stuck: "changed by two people: choose below",
      }[state] || "";
    }
  }

  showBar() {
    if (this.bar.childElementCount) { return; }
    const button = (label, title, act) => {
      const made = add(this.bar, "button");
      made.type = "button";
      made.textContent = label;
      made.title = title;
      made.addEventListener("pointerdown", (event) => event.preventDefault());
      made.addEventListener("click", () => { if (this.at) { this.at.focus(); act(); } });
    };
    if (this.columns.some((column) => column.type === "value")) {
      button(">", "off the scale: at least", () => this.put(">" + this.at.value.replace(/^[<>]/, "")));
      button("<", "below the scale: at most", () => this.put("<" + this.at.value.replace(/^[<>]/, "")));
    }
    for (const column of this.columns) {
      for (const [key, label] of Object.entries(column.words || {})) {
        if (["evidence", "state"].includes(column.name) && ["not_looked", "no_access"].includes(key)) {
          button(label, column.label + " of this line: " + label, () => this.set(column.name, label));
        }
      }
    }
    button("as above", "the cell above (Ctrl D)", () => this.copyAbove());
    button("next line", "Enter", () => this.nextLine());
    button("take line out", "Ctrl Backspace", () => this.takeOut());
  }

  // ---- what the person does --------------------------------------------------------------------------
  place(input) {
    const line = input.closest("tr");
    const i = this.rows.findIndex((row) => row.key === line.dataset.key);
    return [i, this.columns.findIndex((column) => column.name === input.dataset.column)];
  }

  input(i, j) {
    const line = this.body.children[i];
    return line ? line.children[j + 1].firstChild : null;
  }

  go(i, j) {
    while (i >= this.rows.length) { this.rows.push(blank()); }
    this.draw();
    const input = this.input(Math.max(0, i), Math.min(Math.max(0, j), this.columns.length - 1));
    if (input) { input.focus(); input.select(); input.scrollIntoView({ block: "nearest" }); }
  }

  onKey(event) {
    if (!event.target.dataset.column) { return; }
    const [i, j] = this.place(event.target);
    if (event.key === "Enter") {
      event.preventDefault();
      if (event.shiftKey) { this.go(i - 1, j); } else { this.nextLine(); }
    } else if (event.key === "ArrowDown" && !event.altKey && !event.target.list) {
      event.preventDefault(); this.go(i + 1, j);
    } else if (event.key === "ArrowUp" && !event.altKey && !event.target.list) {
      event.preventDefault(); this.go(i - 1, j);
    } else if ((event.ctrlKey || event.metaKey) && event.key.toLowerCase() === "d") {
      event.preventDefault(); this.copyAbove();
    } else if ((event.ctrlKey || event.metaKey) && event.key === "Backspace") {
      event.preventDefault(); this.takeOut();
    } else if (event.key === "Escape") {
      event.target.blur();
    }
  }

  nextLine() {
    const [i] = this.place(this.at);
    const row = this.rows[i];
    if (this.typed(row)) { this.touch(row); this.sendSoon(0); }
    const j = this.columns.findIndex((column) => !column.carry);
    this.go(i + 1, j);
  }

  copyAbove() {
    const [i, j] = this.place(this.at);
    const name = this.columns[j].name;
    for (let k = i - 1; k >= 0; k -= 1) {
      const value = this.rows[k].cells[name];
      if (value) { this.put(value); return; }
    }
  }

  put(value) { this.at.value = value; this.onInput({ target: this.at }); }

  set(name, value) {
    const [i] = this.place(this.at);
    const row = this.rows[i];
    row.cells = Object.assign({}, row.cells, { [name]: value });
    row.state = "typed";
    this.touch(row);
    this.draw();
    this.keep();
    this.sendSoon(0);
  }

  takeOut() {
    const [i, j] = this.place(this.at);
    const row = this.rows[i];
    row.gone = true;
    this.touch(row);
    this.lost = row;
    this.rows.splice(i, 1);
    this.leaving = (this.leaving || []).concat([row]);
    this.sendSoon(0);
    this.go(i, j);
    this.say("One line taken out. It stays in the history, from where it can be put back.");
  }

  onInput(event) {
    if (!event.target.dataset.column) { return; }
    const [i, j] = this.place(event.target);
    const row = this.rows[i];
    row.cells = Object.assign({}, row.cells, { [this.columns[j].name]: event.target.value });
    row.state = "typed";
    this.touch(row);
    if (i === this.rows.length - 1) { this.rows.push(blank()); this.draw(); }
    this.keep();
    this.sendSoon(700);
  }

  onChange(event) {
    if (!event.target.dataset.column) { return; }
    const [i] = this.place(event.target);
    if (this.columns.some((column) => column.carry)) { this.draw(); }
    if (this.typed(this.rows[i])) { this.sendSoon(250); }
  }

  onPaste(event) {
    const text = (event.clipboardData || window.clipboardData).getData("text");
    if (!/[\t\n\r]/.test(text.trim()) || !event.target.dataset.column) { return; }
    event.preventDefault();
    const [i, j] = this.place(event.target);
    const lines = text.replace(/\r\n?/g, "\n").replace(/\n$/, "").split("\n").map((line) => line.split("\t"));
    if (lines.length > 500) {
      this.say("More than 500 lines at once: bring them in on the page Import, which checks them all first.");
      return;
    }
    lines.forEach((cells, di) => {
      while (i + di >= this.rows.length) { this.rows.push(blank()); }
      const row = this.rows[i + di];
      row.cells = Object.assign({}, row.cells);
      cells.forEach((value, dj) => {
        const column = this.columns[j + dj];
        if (column) { row.cells[column.name] = value.trim(); }
      });
      row.state = "typed";
      this.touch(row);
    });
    this.rows.push(blank());
    document.activeElement && this.at && this.at.blur();
    this.draw();
    this.keep();
    this.sendSoon(0);
    this.say(lines.length + " lines pasted.");
    this.go(i + lines.length, j);
  }

  touch(row) { this.seq += 1; row.seq = this.seq; }

  sendSoon(wait) {
    clearTimeout(this.timer);
    this.timer = setTimeout(() => {
      const open = this.rows.filter((row) => row.seq > this.acked && this.typed(row));
      const gone = (this.leaving || []).filter((row) => row.seq > this.acked);
      this.leaving = gone;
      if (!open.length && !gone.length) { return; }
      const order = this.rows.filter((row) => this.typed(row)).map((row) => row.key);
      // A send that nobody answers was lost with the connection: it is made again until it is answered.
      this.tries = (this.tries || 0) + 1;
      this.timer = setTimeout(() => this.sendSoon(0), 8000);
      this.send({
        run: this.run || "",
        tries: this.tries,
        seq: this.seq,
        order,
        rows: open.map((row) => ({
          key: row.key, cells: row.cells, again: Boolean(row.again), id: row.id || "", base: row.base || 0,
        })),
        gone: gone.map((row) => row.key),
      });
    }, wait);
  }

  say(words) {
    this.said.textContent = words;
    clearTimeout(this.hush);
    this.hush = setTimeout(() => { this.said.textContent = ""; }, 9000);
  }
}

function blank() {
  const mark = Math.random().toString(36).slice(2, 10) + Date.now().toString(36);
  return { key: "n-" + mark, cells: {}, said: {}, notes: {}, told: "", state: "", seq: 0 };
}

function add(parent, kind, name) {
  const made = document.createElement(kind);
  if (name) { made.className = name; }
  parent.appendChild(made);
  return made;
}
