"use strict";
/* What a page does besides being read: it hears of changes, and brings the parts that may change up to date. */

// The chart library puts style elements of its own into the page. The policy takes them only with the page's nonce.
{
  const nonce = document.querySelector("meta[name=style-nonce]").content;
  const make = document.createElement.bind(document);
  document.createElement = (name, options) => {
    const made = make(name, options);
    if (String(name).toLowerCase() === "style") made.nonce = nonce;
    return made;
  };
}

const live = document.getElementById("live");
let version = null;
let source = null;
let fetching = false;
let again = false;

function storiesIn(root) {
  return new Map([...root.querySelectorAll("[data-story]")].map((each) => [each.dataset.story, each.dataset.says]));
}

/* Replace the parts that may change, and keep what the reader has opened and where the focus is. */
function take(fresh) {
  const before = storiesIn(document);
  for (const part of document.querySelectorAll("[data-live]")) {
    const other = fresh.getElementById(part.id);
    if (!other || part.innerHTML === other.innerHTML) continue;
    const opened = [...part.querySelectorAll("details")].map((each) => each.open);
    const focused = part.contains(document.activeElement) ? document.activeElement.getAttribute("href") : null;
    part.replaceChildren(...other.childNodes);
    // What is new comes first, so what is opened is counted from the end.
    [...part.querySelectorAll("details")].reverse().forEach((each) => { if (opened.pop()) each.open = true; });
    if (focused) [...part.querySelectorAll("a")].find((each) => each.getAttribute("href") === focused)?.focus();
  }
  const came = [...storiesIn(document)].filter(([id]) => !before.has(id)).map(([, says]) => says);
  if (came.length) live.textContent = `New: ${came.join("; ")}`;
}

async function refresh() {
  if (fetching) { again = true; return; }
  fetching = true;
  try {
    const answer = await fetch(location.href, { headers: { Accept: "text/html" }, redirect: "error" });
    if (answer.ok) take(new DOMParser().parseFromString(await answer.text(), "text/html"));
  } catch {
    live.textContent = "The page cannot be reached; what stands here may be old.";
  }
  fetching = false;
  if (again) { again = false; refresh(); }
}

function listen() {
  if (source || document.hidden) return;
  source = new EventSource("/live");
  source.addEventListener("version", (event) => {
    if (live.textContent.startsWith("The page cannot")) live.textContent = "";
    if (version !== null && version !== event.data) refresh();
    version = event.data;
  });
  source.addEventListener("error", () => {
    if (!document.hidden) live.textContent = "The page cannot be reached; what stands here may be old.";
  });
}

// A browser keeps few lines to one server: a page that nobody sees lets its own go.
document.addEventListener("visibilitychange", () => {
  if (document.hidden) { source?.close(); source = null; } else { listen(); }
});

if (document.querySelector("[data-live]")) listen();
addEventListener("pagehide", () => { source?.close(); source = null; });
