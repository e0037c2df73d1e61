// The entry form on a phone: judged while typed, sent once, kept on the device until it is stored.
// Without this script the form does the same by its two buttons.
"use strict";
(() => {
  const form = document.querySelector("form.entry[data-live]");
  if (!form) return;
  const part = (name) => document.querySelector(`[data-${name}]`);
  const beside = part("beside"), judged = part("judged"), told = part("told"), kept = part("kept"), brief = part("brief"), whole = part("problems");
  const serial = form.elements.sensor;
  const post = (url, body) =>
    fetch(url, { method: "POST", body, headers: { Accept: "application/json" }, credentials: "same-origin" });
  const say = (words) => { told.textContent = words; };
  const show = ({ judged: panel, brief: line }) => {
    judged.innerHTML = panel;
    judged.hidden = !panel;
    brief.innerHTML = line;
  };

  // ── judged while typed ──
  const touched = new Set();
  let asking, timer;

  const mark = (problems, all) => {
    form.querySelectorAll("[data-problem]").forEach((list) => list.remove());
    form.querySelectorAll("[data-marked]").forEach((field) => {
      field.removeAttribute("aria-invalid");
      delete field.dataset.marked;
    });
    // What is wrong with all of it stands under the rows, once something was typed in them.
    whole.replaceChildren();
    const begun = [...touched].some((name) => /-\d+-/.test(name));
    for (const [name, words] of Object.entries(problems)) {
      const field = form.elements[name];
      const shown = field && field.type !== "hidden";
      if (!all && !(shown ? touched.has(name) : name.endsWith("__all__") && begun)) continue;
      const list = document.createElement("ul");
      list.className = "errorlist";
      list.dataset.problem = "";
      for (const word of words) list.append(Object.assign(document.createElement("li"), { textContent: word }));
      if (shown) {
        field.setAttribute("aria-invalid", "true");
        field.dataset.marked = "";
        field.before(list);
      } else whole.append(list);
    }
  };

  const ask = async () => {
    asking?.abort();
    asking = new AbortController();
    try {
      const answer = await fetch(form.dataset.live, {
        method: "POST", body: new FormData(form), signal: asking.signal, credentials: "same-origin",
      });
      if (!answer.ok || answer.redirected) return;
      const said = await answer.json();
      beside.innerHTML = said.sensor;
      show(said);
      mark(said.problems, false);
    } catch (wrong) {
      if (wrong.name !== "AbortError" && !(wrong instanceof TypeError)) throw wrong;
    }
  };

  // A yes to "all the same" stands for what was asked; whatever is typed then is asked about anew.
  const record = form.elements._save, sure = form.elements._sure;
  const asks = (token) => {
    sure.value = token;
    record.textContent = token ? record.dataset.sure : record.dataset.plain;
  };

  form.addEventListener("input", (event) => {
    if (sure.value) say("");
    asks("");
    if (event.target.name) touched.add(event.target.name);
    clearTimeout(timer);
    timer = setTimeout(ask, 500);
  });

  // ── the units above the numbers are those that are chosen ──
  const unitsShown = () => form.querySelectorAll("[data-unit]").forEach((shown) => {
    shown.textContent = form.elements[shown.dataset.unit].value;
  });
  form.addEventListener("change", unitsShown);
  unitsShown();

  // ── which serial ──
  const choices = Object.assign(document.createElement("datalist"), { id: "serials" });
  serial.after(choices);
  serial.setAttribute("list", "serials");
  serial.addEventListener("input", async () => {
    if (serial.value.trim().length < 2) return;
    try {
      const answer = await fetch(`${form.dataset.serials}?typed=${encodeURIComponent(serial.value)}`);
      if (!answer.ok || answer.redirected) return;
      const options = (await answer.json()).serials.map((value) => Object.assign(document.createElement("option"), { value }));
      choices.replaceChildren(...options);
    } catch (wrong) {
      if (!(wrong instanceof TypeError)) throw wrong; // no network: typing goes on
    }
  });

  const scan = part("scan"), view = part("scan-view");
  if ("BarcodeDetector" in window && navigator.mediaDevices) {
    scan.hidden = false;
    let stream;
    const stop = () => {
      stream?.getTracks().forEach((track) => track.stop());
      stream = undefined;
      view.hidden = true;
      scan.textContent = "Scan the serial";
    };
    scan.addEventListener("click", async () => {
      if (stream) return stop();
      try {
        stream = await navigator.mediaDevices.getUserMedia({ video: { facingMode: "environment" } });
      } catch (refused) {
        return say(`The camera cannot be used (${refused.name}); type the serial.`);
      }
      view.srcObject = stream;
      view.hidden = false;
      scan.textContent = "Stop scanning";
      await view.play();
      const detector = new window.BarcodeDetector();
      const look = async () => {
        if (!stream) return;
        const [found] = await detector.detect(view).catch(() => []);
        if (!found) return setTimeout(look, 200);
        serial.value = found.rawValue.trim().slice(0, 40);
        stop();
        touched.add("sensor");
        ask();
      };
      look();
    });
  }

  // ── kept until stored ──
  const KEY = `spanbook.kept.${form.dataset.person}`;
  const all = () => JSON.parse(localStorage.getItem(KEY) || "{}");
  const put = (forms) => localStorage.setItem(KEY, JSON.stringify(forms));
  const keep = (id, fields) => put({ ...all(), [id]: { to: location.pathname, fields } });
  const drop = (id) => { const { [id]: _, ...rest } = all(); put(rest); };
  const token = () => form.elements.csrfmiddlewaretoken.value;

  // Send one form. Answers where its record is; throws TypeError where there is no network.
  const send = async (to, fields) => {
    const body = new FormData();
    for (const [name, value] of fields) body.append(name, name === "csrfmiddlewaretoken" ? token() : value);
    const answer = await post(to, body);
    if (answer.redirected) return { words: "Sign in again; the form stays on this device." };
    if (answer.ok) return answer.json();
    return { words: `The desk answered ${answer.status}; the form stays on this device.` };
  };

  form.addEventListener("submit", async (event) => {
    if (event.submitter?.name === "_check") return;
    event.preventDefault();
    if (record.disabled) return;
    record.disabled = true;
    let wait = 0;
    const id = form.elements.id.value, fields = [...new FormData(form)];
    keep(id, fields);
    say("Storing ...");
    try {
      const said = await send(form.action, fields);
      if (said.stored) {
        drop(id);
        location.assign(said.stored);
        return;
      }
      if (said.sure) {
        asking?.abort();
        clearTimeout(timer);
        asks(said.sure);
        wait = 1000; // the second press of a double one is no yes
        show(said);
        judged.focus({ preventScroll: true });
        judged.scrollIntoView(); // its beginning, also where it is longer than the screen
      } else if (said.problems) drop(id);
      say(said.words || "Not stored. The reasons stand at their fields.");
      mark(said.problems || {}, true);
      (form.querySelector("[aria-invalid=true]") || (whole.childElementCount ? whole : null))?.focus();
    } catch (wrong) {
      if (!(wrong instanceof TypeError)) throw wrong;
      say("No network. The form is kept on this device and sent when the network is back.");
      list();
    } finally {
      setTimeout(() => { record.disabled = false; }, wait);
    }
  });

  const list = () => {
    const forms = Object.entries(all());
    kept.hidden = !forms.length;
    kept.querySelector("ul").replaceChildren(...forms.map(([id, { to, fields }]) => {
      const typed = Object.fromEntries(fields), item = document.createElement("li");
      item.append(`${typed.sensor || "no serial"}, ${typed.performed_at} `);
      const button = (words, act) => {
        const made = Object.assign(document.createElement("button"), { type: "button", className: "button", textContent: words });
        made.addEventListener("click", act);
        item.append(made, " ");
      };
      button("Send now", () => sendKept(id));
      if (to === location.pathname) button("Fill it in here", () => fill(id, fields));
      button("Throw away", () => { if (confirm("Throw this form away? It is stored nowhere else.")) { drop(id); list(); } });
      return item;
    }));
  };

  const fill = (id, fields) => {
    for (const [name, value] of fields) {
      const field = form.elements[name];
      if (field && name !== "csrfmiddlewaretoken") field.value = value;
    }
    unitsShown();
    asks(sure.value);
    ask();
  };

  const sendKept = async (id) => {
    const { to, fields } = all()[id] || {};
    if (!to) return;
    try {
      const said = await send(to, fields);
      if (said.stored) {
        drop(id);
        say(`The kept form of ${Object.fromEntries(fields).sensor} is stored.`);
        if (id === form.elements.id.value) { location.assign(said.stored); return; }
      } else if (said.sure) say(`The kept form of ${Object.fromEntries(fields).sensor} is not stored: something in it surprises. Fill it in to read what.`);
      else say(said.words || `The kept form of ${Object.fromEntries(fields).sensor} is refused: ${Object.values(said.problems).flat().join(" ")}`);
    } catch (wrong) {
      if (!(wrong instanceof TypeError)) throw wrong;
    }
    list();
  };

  const sendAll = async () => { for (const id of Object.keys(all())) await sendKept(id); };
  window.addEventListener("online", sendAll);
  list();
  if (navigator.onLine) sendAll();
  if (serial.value && !beside.textContent.includes(serial.value)) ask();
})();
