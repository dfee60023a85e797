// Says it when the machine has changed since the page was made. The page is not
// made again by itself, so that nobody loses the place where they read.
"use strict";
document.addEventListener("DOMContentLoaded", () => {
  const main = document.getElementById("main");
  const newer = document.getElementById("newer");
  const judge = () => {
    const newest = document.getElementById("newest");
    const told = newest !== null && newest.dataset.changed !== main.dataset.changed;
    if (newer.hidden === told) newer.hidden = !told;
  };
  new MutationObserver(judge).observe(main, { attributes: true, attributeFilter: ["data-changed"], childList: true, subtree: true });
  judge();
});
