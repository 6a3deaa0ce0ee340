// Comfort only: every page does the same without this file.
"use strict";

const pointed = (link, on) => document.getElementById(link.dataset.cell)?.classList.toggle("pointed", on);
for (const [event, on] of [["mouseover", true], ["mouseout", false], ["focusin", true], ["focusout", false]]) {
  document.addEventListener(event, (happened) => {
    const link = happened.target.closest?.("a[data-cell]");
    if (link) pointed(link, on);
  });
}

// A mistake leads to its line in the text.
document.addEventListener("click", (happened) => {
  const link = happened.target.closest?.("a[data-line]");
  const text = document.getElementById("text");
  if (!link || !text) return;
  happened.preventDefault();
  const lines = text.value.split("\n");
  const line = Number(link.dataset.line);
  const start = lines.slice(0, line - 1).reduce((sum, each) => sum + each.length + 1, 0);
  text.focus();
  text.setSelectionRange(start, start + (lines[line - 1] ?? "").length);
  text.scrollTop = (text.scrollHeight / lines.length) * Math.max(0, line - 5);
});

// While typing, the result follows.
const form = document.getElementById("edit");
if (form) {
  let timer = 0;
  let asked = 0;
  const follow = async () => {
    const number = ++asked;
    const open = new Set([...document.querySelectorAll("details[open] > summary")].map((each) => each.textContent));
    const data = new URLSearchParams(new FormData(form));
    data.set("typing", "yes");
    const answer = await fetch(form.action, { method: "POST", body: data, headers: { Accept: "text/html" } });
    if (!answer.ok || number !== asked) return;
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    for (const id of ["problems", "result", "signing"]) {
      const fresh = page.getElementById(id);
      if (fresh && !document.getElementById(id).contains(document.activeElement)) {
        document.getElementById(id).replaceWith(fresh);
        for (const each of fresh.querySelectorAll("details > summary")) {
          if (open.has(each.textContent)) each.parentElement.open = true;
        }
      }
    }
  };
  form.addEventListener("input", () => {
    clearTimeout(timer);
    timer = setTimeout(() => follow().catch(() => undefined), 500);
  });
}
