// The page for the roof: reads itself again while it is in view, keeps what is being typed, and sends small photos.
// Nothing here is needed: without it the page is read again by its link, and its forms are plain forms.

const EVERY_S = 30, SLOWEST_S = 300, PATIENCE_S = 20;
const CLOCK = { hour: "2-digit", minute: "2-digit", hourCycle: "h23" };
const LONGEST_SIDE_PX = 1600, LARGE_BYTES = 400_000;
const answer = document.getElementById("answer");
const work = document.getElementById("work");
const signal = document.getElementById("signal");

let tag = answer.dataset.tag;
let readAt = new Date();
let wait = EVERY_S;
let timer = 0;
let ended = false;

// Reading again

const isVisible = () => document.visibilityState === "visible";

function plan(seconds) {
  clearTimeout(timer);
  if (isVisible() && !ended) timer = setTimeout(readAgain, seconds * 1000);
}

async function readAgain() {
  clearTimeout(timer);
  try {
    const address = `${location.pathname}?part=1`;
    const headers = { "If-None-Match": tag };
    const got = await fetch(address, { headers, cache: "no-store", signal: AbortSignal.timeout?.(PATIENCE_S * 1000) });
    if (got.redirected) return end();
    if (got.status === 200) show(await got.text());
    else if (got.status !== 304) throw new Error(String(got.status));
    readAt = new Date();
    wait = EVERY_S;
    signal.textContent = "";
  } catch {
    wait = Math.min(2 * wait, SLOWEST_S);
    const time = readAt.toLocaleTimeString(document.documentElement.lang, CLOCK);
    signal.textContent = signal.dataset.lost.replace("{time}", time);
  }
  plan(wait);
}

function end() {
  ended = true;
  signal.textContent = signal.dataset.ended;
}

// Putting the new part in the place of the old one

function show(html) {
  const fresh = new DOMParser().parseFromString(html, "text/html");
  const newAnswer = fresh.getElementById("answer"), newWork = fresh.getElementById("work");
  if (!newAnswer || !newWork) throw new Error("not the page that was asked for");
  if (answer.textContent !== newAnswer.textContent) answer.replaceChildren(...newAnswer.childNodes);
  if (isBusy()) return; // the old tag stays, so that the list comes with the next reading
  replaceWork(newWork);
  tag = newAnswer.dataset.tag;
}

const isFilledIn = (field) => field.type === "file" ? field.files.length > 0 : field.value !== field.defaultValue;

function isBusy() {
  const fields = [...work.querySelectorAll("textarea, input:not([type=hidden])")];
  return fields.some(isFilledIn) || (work.contains(document.activeElement) && document.activeElement.closest("form"));
}

const detailsOf = (node) => node?.localName === "details" ? node : node?.querySelector("details");

function replaceWork(fresh) {
  const open = [...work.querySelectorAll("details[open]")].map((details) => details.closest("[id]").id);
  const item = document.activeElement?.closest?.("#work li[id]");
  const [focused, kind] = [item?.id, document.activeElement?.localName];
  const anchor = [...work.querySelectorAll("li[id]")].find((li) => li.getBoundingClientRect().bottom > 0);
  const top = anchor?.getBoundingClientRect().top;
  work.replaceChildren(...fresh.childNodes);
  for (const id of open) detailsOf(document.getElementById(id))?.setAttribute("open", "");
  if (focused) document.getElementById(focused)?.querySelector(kind)?.focus({ preventScroll: true });
  const again = anchor && top < innerHeight && document.getElementById(anchor.id);
  if (again) scrollBy(0, again.getBoundingClientRect().top - top);
  restoreNotes();
}

// Notes survive a page that is lost on the way

const keyOf = (form) => `note ${location.pathname} ${form.elements.subject.value}`;

function keepNote(event) {
  const form = event.target.closest("form.mark");
  if (form && event.target.name === "note") sessionStorage.setItem(keyOf(form), event.target.value);
}

function restoreNotes() {
  for (const form of work.querySelectorAll("form.mark")) {
    const kept = sessionStorage.getItem(keyOf(form));
    const taken = [...form.closest("li").querySelectorAll(".note")].map((note) => note.textContent.trim());
    if (!kept || taken.includes(kept.trim())) {
      sessionStorage.removeItem(keyOf(form));
    } else if (!form.elements.note.value) {
      form.elements.note.value = kept;
      form.closest("details").open = true;
    }
  }
}

// A photo is made small before it goes over a weak signal

async function shrinkPhoto(event) {
  const field = event.target, photo = field.files?.[0];
  if (field.type !== "file" || !photo || photo.size < LARGE_BYTES) return;
  try {
    const picture = await createImageBitmap(photo);
    const share = Math.min(1, LONGEST_SIDE_PX / Math.max(picture.width, picture.height));
    const canvas = document.createElement("canvas");
    [canvas.width, canvas.height] = [picture.width, picture.height].map((side) => Math.round(side * share));
    canvas.getContext("2d").drawImage(picture, 0, 0, canvas.width, canvas.height);
    const small = await new Promise((done) => canvas.toBlob(done, "image/jpeg", 0.8));
    if (!small || small.size >= photo.size || field.files[0] !== photo) return;
    const files = new DataTransfer();
    files.items.add(new File([small], "photo.jpg", { type: "image/jpeg" }));
    field.files = files.files;
  } catch {
    // A picture that the browser cannot draw goes as it is; the server says whether it can read it.
  }
}

function comeOrGo() {
  const passed = (new Date() - readAt) / 1000;
  plan(Math.max(0, wait - passed)); // which plans nothing for a page that is out of view
}

document.addEventListener("visibilitychange", comeOrGo);
addEventListener("online", readAgain);
addEventListener("offline", readAgain);
work.addEventListener("input", keepNote);
work.addEventListener("change", shrinkPhoto);
restoreNotes();
plan(wait);
