// Makes entering a roof plan quicker: on to the next cell, twins said at once, units picked up and put down, and every
// keystroke kept on this device until it is saved. The form does all of it without this file, a page at a time.
"use strict";

const form = document.getElementById("plan");
if (form) {
  document.documentElement.classList.add("with-script");
  const say = (name, words = {}) =>
    Object.entries(words).reduce((text, [key, value]) => text.replace(`{${key}}`, value), form.dataset[`say${name}`]);
  const state = document.getElementById("state");
  const pickButton = document.getElementById("pick");
  const draftKey = `plan:${form.dataset.site}`;
  const serials = [...form.querySelectorAll('.grid-of-serials input[type="text"]')];
  const branchOf = (input) => form.elements.namedItem(`b.${keyOf(input)}`);
  const saidOf = (input) => document.getElementById(`said-${keyOf(input)}`);
  const keyOf = (input) => input.name.slice(2);
  const spotOf = (input) => keyOf(input).split(".").map(Number);
  let picked = null;
  const start = serials.find((input) => input.autofocus);
  let current = start || serials[0];
  let sending = false;

  // Where to go

  let ordered = null;

  function inOrder() {
    ordered ??= sorted(form.elements.order.value);
    return ordered;
  }

  function sorted(order) {
    const rows = new Map();
    for (const [plane, row] of serials.map(spotOf)) rows.set(plane, (rows.get(plane) || new Set()).add(row));
    const back = (plane, row) => [...rows.get(plane)].indexOf(row) % 2;
    const place = (input) => {
      const [plane, row, column] = spotOf(input);
      if (order === "columns") return [plane, column, -row];
      return [plane, row, order === "snake" && back(plane, row) ? -column : column];
    };
    return serials
      .map((input) => [place(input), input])
      .sort(([a], [b]) => a[0] - b[0] || a[1] - b[1] || a[2] - b[2])
      .map(([, input]) => input);
  }

  function go(input) {
    if (!input) return false;
    input.focus();
    input.select();
    input.scrollIntoView({ block: "nearest", inline: "nearest" });
    return true;
  }

  function step(input, by) {
    const order = inOrder();
    return go(order[order.indexOf(input) + by]);
  }

  function beside(input, down, right) {
    const [plane, row, column] = spotOf(input);
    const along = serials
      .filter((one) => {
        const [p, r, c] = spotOf(one);
        return p === plane && (down ? c === column && (r - row) * down > 0 : r === row && (c - column) * right > 0);
      })
      .sort((a, b) => Math.abs(distance(a, input)) - Math.abs(distance(b, input)));
    return go(along[0]);
  }

  const distance = (a, b) => spotOf(a).reduce((sum, part, i) => sum + Math.abs(part - spotOf(b)[i]), 0);

  // What is said beside a cell

  function marked() {
    const where = new Map();
    for (const input of serials) {
      const serial = input.value.trim();
      if (serial) where.set(serial, [...(where.get(serial) || []), input]);
    }
    for (const input of serials) {
      const twins = (where.get(input.value.trim()) || []).filter((one) => one !== input);
      mark(input, twins[0]);
    }
  }

  function mark(input, twin) {
    const said = saidOf(input);
    const branch = branchOf(input).value;
    input.toggleAttribute("aria-invalid", false);
    if (twin) input.setAttribute("aria-invalid", "true");
    said.classList.toggle("wrong", Boolean(twin));
    const text = twin ? say("Twin", { place: twin.getAttribute("aria-label") }) : input.value.trim() && branch !== "*" ? branch : "";
    if (said.textContent !== text) said.textContent = text;
    input.closest("td").classList.toggle("filled", Boolean(input.value.trim()));
  }

  const hasTwin = (input) => {
    const serial = input.value.trim();
    return Boolean(serial) && serials.some((one) => one !== input && one.value.trim() === serial);
  };

  function entered(input) {
    const branch = branchOf(input);
    if (!input.value.trim()) branch.value = "*";
    else if (branch.value === "*") branch.value = form.elements.next_branch.value.trim();
    marked();
    keep();
  }

  // Picking up and putting down

  function pick(input) {
    if (!picked) {
      if (!input.value.trim()) return tell(say("Nothing"));
      picked = input;
      input.closest("td").classList.add("picked");
      pickButton.textContent = say("Drop");
      return tell(say("Picked", { serial: input.value.trim() }));
    }
    const source = picked;
    letGo();
    if (source !== input) exchange(source, input);
    return go(input);
  }

  function exchange(source, target) {
    const [one, other] = [source.value.trim(), target.value.trim()];
    const [from, to] = [branchOf(source), branchOf(target)];
    [source.value, target.value] = [other, one];
    if (!other) [from.value, to.value] = ["*", from.value];
    marked();
    keep();
    tell(other ? say("Swapped", { one, other }) : say("Put", { place: target.getAttribute("aria-label") }));
  }

  function letGo() {
    picked?.closest("td").classList.remove("picked");
    picked = null;
    pickButton.textContent = say("Pick");
  }

  const tell = (text) => {
    state.textContent = text;
  };

  // What is kept on this device

  const typed = () => {
    const fields = {};
    for (const element of form.elements) {
      if (element.name && element.type !== "submit" && element.type !== "button") fields[element.name] = element.value;
    }
    delete fields.seen;
    return fields;
  };
  const shownAtFirst = JSON.stringify(typed());

  function keep() {
    try {
      localStorage.setItem(draftKey, JSON.stringify({ fields: typed() }));
    } catch {
      return; // a device without room still sends the form
    }
    if (JSON.stringify(typed()) !== shownAtFirst) tell(say("Unsaved"));
  }

  function kept() {
    try {
      return JSON.parse(localStorage.getItem(draftKey))?.fields || null;
    } catch {
      return null;
    }
  }

  const forget = () => localStorage.removeItem(draftKey);

  function saysTheSame(fields) {
    const shown = typed();
    const cells = Object.keys({ ...shown, ...fields }).filter((name) => name.startsWith("s."));
    const branch = (of, name) => of[name.replace("s.", "b.")];
    return cells.every((name) => {
      const [one, other] = [fields[name] || "", shown[name] || ""];
      return one === other && (!one || branch(fields, name) === branch(shown, name));
    });
  }

  function takeUp() {
    const fields = kept();
    if (!fields) return;
    if (fields.on === form.dataset.savedOn || saysTheSame(fields)) return forget();
    const box = document.getElementById("kept");
    const here = Object.keys(typed());
    const sameCells = fields.on === form.elements.on.value && Object.keys(fields).every((name) => here.includes(name));
    const asBefore = sameCells && here.filter((name) => /^[sb]\./.test(name)).every((name) => name in fields);
    box.hidden = false;
    box.firstElementChild.textContent = asBefore ? say("Filled") : say("Kept");
    document.getElementById("discard").addEventListener("click", () => {
      forget();
      location.reload();
    });
    if (asBefore) {
      for (const [name, value] of Object.entries(fields)) form.elements.namedItem(name).value = value;
      marked();
      return tell(say("Unsaved"));
    }
    const button = document.getElementById("take-up");
    button.hidden = false;
    button.addEventListener("click", () => send({ ...fields, do: "next" }));
  }

  function send(fields) {
    const sent = document.createElement("form");
    sent.method = "post";
    sent.action = form.action;
    for (const [name, value] of Object.entries(fields)) {
      const input = document.createElement("input");
      [input.type, input.name, input.value] = ["hidden", name, value];
      sent.append(input);
    }
    document.body.append(sent);
    sent.submit();
  }

  async function reachable() {
    try {
      return (await fetch("/healthz", { cache: "no-store", signal: AbortSignal.timeout(5000) })).ok;
    } catch {
      return false;
    }
  }

  // What happens

  form.addEventListener("keydown", (event) => {
    const input = event.target;
    if (!serials.includes(input) || event.isComposing) return;
    const plain = !event.altKey && !event.ctrlKey && !event.metaKey;
    const atStart = input.selectionStart === 0 && (input.selectionEnd === 0 || input.selectionEnd === input.value.length);
    const atEnd = input.selectionEnd === input.value.length && (input.selectionStart === input.selectionEnd || input.selectionStart === 0);
    let done = false;
    if (event.key === "Enter" && event.ctrlKey) {
      pick(input);
      done = true;
    } else if (event.key === "Enter" && plain) {
      entered(input);
      if (picked) pick(input);
      else if (hasTwin(input)) input.select();
      else if (!step(input, event.shiftKey ? -1 : 1)) tell(say("End"));
      done = true;
    } else if (event.key === "Tab" && plain) {
      entered(input);
      done = step(input, event.shiftKey ? -1 : 1);
    } else if (event.key === "Escape" && picked) {
      letGo();
      done = true;
    } else if (plain && !event.shiftKey) {
      if (event.key === "ArrowDown") done = beside(input, 1, 0);
      if (event.key === "ArrowUp") done = beside(input, -1, 0);
      if (event.key === "ArrowRight" && atEnd) done = beside(input, 0, 1);
      if (event.key === "ArrowLeft" && atStart) done = beside(input, 0, -1);
    }
    if (done) event.preventDefault();
  });
  form.addEventListener("focusin", (event) => {
    if (serials.includes(event.target)) current = event.target;
  });
  form.addEventListener("input", (event) => {
    if (serials.includes(event.target)) marked();
    keep();
  });
  form.addEventListener("change", (event) => {
    ordered = null;
    if (serials.includes(event.target)) entered(event.target);
    else keep();
  });
  pickButton.addEventListener("click", () => pick(current));
  form.addEventListener("submit", async (event) => {
    if (sending) return;
    event.preventDefault();
    serials.forEach((input) => input.value.trim() && branchOf(input).value === "*" && entered(input));
    keep();
    const button = event.submitter;
    if (await reachable()) {
      sending = true;
      form.requestSubmit(button);
    } else tell(say("Offline"));
  });

  marked();
  if (!form.hasAttribute("data-unsaved")) takeUp();
  else keep();
  if (start) go(start);
}
