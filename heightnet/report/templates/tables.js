"use strict";
// --- tables that sort and filter; all they show is there without this script too

const more = JSON.parse(document.getElementById("more-rows").textContent);
const STEP = 200; // rows shown at a time

function read(cell) {
  const said = cell.querySelector(".said");
  return said ? said.className.replace(/.*said-/, "") : cell.textContent;
}

// the number a cell stands for: what it states, else what can be read in it
function size(cell) {
  const stating = cell.dataset.value === undefined ? cell.querySelector("[data-value]") : cell;
  const stated = stating ? JSON.parse(stating.dataset.value) : null;
  return typeof stated === "number" ? stated : value(cell.textContent);
}

const value = (text) => {
  const number = parseFloat(text.replace("−", "-").replaceAll(",", "").replace(/^[<>]/, ""));
  return Number.isNaN(number) ? null : number;
};

function compare(a, b, kind, order) {
  if (kind === "verdict") return order.indexOf(a) - order.indexOf(b);
  if (kind === "number") return a - b;
  return a.localeCompare(b, "en", { numeric: true });
}

function element(tag, properties, ...children) {
  const made = Object.assign(document.createElement(tag), properties);
  made.append(...children);
  return made;
}

// a text may hold claims: which thing, fact and value, and the words a reader sees
const CLAIM = /\ue000([^\ue001]*)\ue001([^\ue001]*)\ue001([^\ue001]*)\ue001([^\ue002]*)\ue002/g;
const plain = (text) => (text.includes("\ue000") ? text.replace(CLAIM, "$4") : text);

function stating(part, of, fact, value) {
  Object.assign(part.dataset, { of, fact, value });
  return part;
}

function fill(part, text) {
  let at = 0;
  for (const found of text.matchAll(CLAIM)) {
    part.append(text.slice(at, found.index), stating(element("span", { textContent: found[4] }), found[1], found[2], found[3]));
    at = found.index + found[0].length;
  }
  part.append(text.slice(at));
}

// a row that is not in the page yet: what it shows is written when it is first asked for
class Fetched {
  constructor(listing, packed) {
    const [key, further, thing, values] = packed.slice(listing.heads.length);
    const of = thing || listing.table.dataset.start + packed[0];
    Object.assign(this, { row: null, listing, packed, key, about: `${key} ${further}`.trim(), of, values });
  }

  get texts() {
    return (this.written ??= this.listing.heads.map((head, column) => (this.packed[column] === 0 ? this.write(column) : this.packed[column])));
  }

  get cells() {
    return (this.plain ??= this.texts.map(plain));
  }

  get sizes() {
    return (this.numbers ??= this.listing.place.map((place, column) => (place < 0 ? null : this.values[place]) ?? value(this.cells[column])));
  }

  // the text of a cell that is its value, rounded
  write(column) {
    const { place, digits, divisors } = this.listing;
    const value = this.values[place[column]];
    if (value === null) return "–";
    const text = Math.abs(value / divisors[column]).toFixed(digits[column]);
    return value < 0 && /[1-9]/.test(text) ? `−${text}` : text;
  }
}

class Listing {
  constructor(table) {
    this.table = table;
    this.body = table.tBodies[0];
    this.leads = "leads" in table.dataset; // a row's key is the address of a page
    this.heads = [...table.tHead.rows[0].cells];
    this.kinds = this.heads.map((head) => head.dataset.kind);
    let stated = 0; // where among its row's values a column has its own; a verdict is its own value
    this.place = this.heads.map((head) => (head.dataset.column && head.dataset.kind !== "verdict" ? stated++ : -1));
    [this.digits, this.divisors] = ["digits", "divisor"].map((key) => this.heads.map((head) => Number(head.dataset[key])));
    this.rows = [...this.body.rows].map((row) => ({ row, cells: [...row.cells].map(read), sizes: [...row.cells].map(size) }));
    for (const packed of more[table.id.slice(6)] || []) this.rows.push(new Fetched(this, packed));
    this.kept = this.rows;
    this.limit = Math.max(STEP, this.body.rows.length);
    this.heads.forEach((head, column) => {
      const button = element("button", { type: "button", title: head.title }, ...head.childNodes);
      head.append(button);
      button.addEventListener("click", () => this.sort(column));
    });
    this.tools();
  }

  tools() {
    const title = this.table.caption.textContent;
    this.search = element("input", { type: "search" });
    this.verdict = element("select", {}, element("option", { value: "", textContent: "all" }));
    const column = this.kinds.indexOf("verdict");
    const occurring = new Set(this.rows.map((row) => (row.packed || row.cells)[column]));
    for (const [name, word] of WORDS) {
      const option = element("option", { value: name, textContent: word });
      if (occurring.has(name)) this.verdict.append(stating(option, "vocabulary", "verdict", JSON.stringify(name)));
    }
    this.count = element("span", { role: "status" });
    this.further = element("button", { type: "button", textContent: "Show more rows" });
    const tools = element("div", { className: "tools" }, element("label", {}, `Find in ${title.toLowerCase()} `, this.search));
    if (column >= 0 && occurring.size > 1) tools.append(element("label", {}, "Verdict ", this.verdict));
    tools.append(this.count);
    const scroll = this.table.closest(".scroll");
    scroll.before(tools);
    scroll.after(element("div", { className: "tools" }, this.further));
    this.search.addEventListener("input", () => this.filter());
    this.verdict.addEventListener("change", () => this.filter());
    this.further.addEventListener("click", () => {
      this.limit += STEP;
      this.show();
    });
    this.show();
  }

  filter() {
    const text = this.search.value.trim().toLowerCase();
    const verdict = this.verdict.value;
    const column = this.kinds.indexOf("verdict");
    this.kept = this.rows.filter((row) => (!verdict || (row.packed || row.cells)[column] === verdict) && (!text || row.cells.some((cell) => cell.toLowerCase().includes(text))));
    this.limit = STEP;
    this.show();
  }

  sort(column) {
    const head = this.heads[column];
    const down = head.getAttribute("aria-sort") === "ascending";
    for (const other of this.heads) other.removeAttribute("aria-sort");
    head.setAttribute("aria-sort", down ? "descending" : "ascending");
    const order = WORDS.map(([name]) => name);
    const number = this.kinds[column] === "number";
    const missing = (cell) => number && cell === null;
    this.rows.sort((a, b) => {
      const [x, y] = number ? [a.sizes[column], b.sizes[column]] : [a.cells[column], b.cells[column]];
      if (missing(x) || missing(y)) return missing(x) - missing(y); // what does not exist stays at the end
      return compare(x, y, this.kinds[column], order) * (down ? -1 : 1);
    });
    this.filter();
  }

  show() {
    const shown = this.kept.slice(0, this.limit);
    this.body.replaceChildren(...shown.map((row) => row.row || (row.row = this.make(row))));
    const all = `${this.rows.length.toLocaleString("en")} ${this.rows.length === 1 ? "row" : "rows"}`;
    this.count.textContent = shown.length === this.rows.length ? all : `${shown.length.toLocaleString("en")} of ${all}`;
    this.further.hidden = shown.length === this.kept.length;
  }

  make(model) {
    const row = element("tr", {});
    if (model.key && !this.leads) row.dataset.key = model.key;
    if (model.about) row.dataset.about = model.about;
    model.texts.forEach((text, column) => {
      const kind = this.kinds[column];
      const cell = element(kind === "name" ? "th" : "td", { className: this.heads[column].className });
      if (kind === "name") {
        cell.scope = "row";
        cell.className = "";
        if (model.key && (this.leads || document.getElementById(model.key))) cell.append(element("a", { href: this.leads ? model.key : `#${model.key}`, textContent: text }));
        else cell.textContent = text;
      } else if (kind === "verdict") {
        cell.className = "";
        cell.append(said(text));
      } else fill(cell, text);
      const fact = this.heads[column].dataset.column;
      const states = kind === "verdict" ? text : fact ? model.values[this.place[column]] : null;
      if (fact && plain(text) === text) stating(cell, model.of, fact, JSON.stringify(states));
      row.append(cell);
    });
    return row;
  }
}

// the words for verdicts are taken from the page, so that they are written in one place only
const WORDS = [...document.querySelectorAll(".legend [data-verdict]")].map((part) => [part.dataset.verdict, part.textContent.trim()]);
function said(verdict) {
  const part = document.querySelector(`.legend [data-verdict="${verdict}"]`).cloneNode(true);
  const span = element("span", { className: `said said-${verdict}` });
  span.append(...part.childNodes);
  return span;
}

for (const table of document.querySelectorAll("table.list")) new Listing(table);
for (const note of document.querySelectorAll(".without-script")) note.hidden = true;

