// Looks how far the worker is, and shows the page anew when it is done.
"use strict";
(() => {
  const place = document.querySelector("[data-progress]");
  if (!place) return;
  const bar = place.querySelector("progress");
  const said = place.querySelector("[data-says]");
  const status = place.dataset.status;
  let wait = 700;
  const look = async () => {
    try {
      const answer = await fetch(place.dataset.progress, { headers: { Accept: "application/json" } });
      if (!answer.ok) throw new Error(String(answer.status));
      const now = await answer.json();
      if (!now.under_way || (status === "committing") !== (now.status === "committing")) {
        window.location.reload();
        return;
      }
      if (now.percent === null) bar.removeAttribute("value");
      else bar.value = now.percent;
      const text = now.percent === null ? now.says : `${now.says} (${now.percent} %)`;
      if (said.textContent !== text) said.textContent = text;
      wait = 700;
    } catch {
      wait = Math.min(wait * 2, 10000);
    }
    window.setTimeout(look, wait);
  };
  window.setTimeout(look, wait);
})();
