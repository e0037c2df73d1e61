// A double tap sends a form once.
"use strict";
(() => {
  const DOUBLE = 1000; // ms; a form that is sent later is meant
  const sent = new WeakMap();
  document.addEventListener("submit", (event) => {
    if (event.defaultPrevented) return;
    const now = performance.now();
    if (now - (sent.get(event.target) ?? -DOUBLE) < DOUBLE) event.preventDefault();
    else sent.set(event.target, now);
  });
})();
