// Gives the fields that search while one types, which are drawn beside Django's own, their names.
"use strict";
(() => {
  const named = (field, by) => field?.setAttribute("aria-labelledby", by);

  const name = (select) => {
    const label = document.querySelector(`label[for="${select.id}"]`);
    const shown = document.getElementById(`select2-${select.id}-container`);
    if (!label || !shown) return;
    label.id = `${select.id}_label`;
    named(shown, label.id);
    named(shown.closest("[role=combobox]"), `${label.id} ${shown.id}`);
  };

  // They are drawn when jQuery calls the page ready, one call before ours; the box to type in and
  // its list when they open.
  window.django?.jQuery(() => document.querySelectorAll(".admin-autocomplete").forEach(name));
  document.addEventListener("focusin", ({ target }) => {
    const [list, id] = /^select2-(.+)-results$/.exec(target.getAttribute("aria-controls") || "") || [];
    if (!id) return;
    named(target, `${id}_label`);
    named(document.getElementById(list), `${id}_label`);
    const shown = document.getElementById(`select2-${id}-container`);
    shown?.closest("[role=combobox]")?.setAttribute("aria-controls", list);
  });
})();
