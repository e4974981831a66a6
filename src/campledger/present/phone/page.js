"use strict";
(() => {
  const body = document.body;
  const away = document.getElementById("away");
  let born = Date.now() - 1000 * Number(body.dataset.age || 0);
  let misses = 0;

  const ageWords = (s) => {
    const m = Math.floor(Math.max(0, s) / 60);
    if (m < 1) return "worked out just now";
    if (m < 120) return `worked out ${m} min ago`;
    const h = Math.floor(m / 60);
    return h < 48 ? `worked out ${h} h ago` : `${Math.floor(h / 24)} days old`;
  };
  const showAge = () => {
    const place = document.getElementById("age");
    if (place) place.textContent = ageWords((Date.now() - born) / 1000);
  };
  const showAway = (lost) => {
    misses = lost ? misses + 1 : 0;
    if (!lost) { away.hidden = true; return; }
    if (misses < 2) return;
    const net = body.dataset.network;
    const where = net ? ` Join the Wi-Fi "${net}".` : " Join the logger's Wi-Fi.";
    const words = `Not connected. This is the last answer, ${ageWords((Date.now() - born) / 1000)}.${where}`;
    if (away.textContent !== words) away.textContent = words;
    away.hidden = false;
  };
  const ask = (url, options) => {
    const stop = new AbortController();
    const timer = setTimeout(() => stop.abort(), 8000);
    return fetch(url, { cache: "no-store", credentials: "same-origin", signal: stop.signal, ...options })
      .finally(() => clearTimeout(timer));
  };

  const renew = async () => {
    const reply = await ask(location.pathname + location.search);
    const fresh = new DOMParser().parseFromString(await reply.text(), "text/html");
    const live = document.getElementById("live");
    const other = fresh.getElementById("live");
    if (!live || !other) { location.reload(); return; }
    const tried = document.getElementById("tried");
    const open = [...live.querySelectorAll("details")].map((d) => d.open);
    live.innerHTML = other.innerHTML;
    const now = [...live.querySelectorAll("details")];
    if (now.length === open.length) now.forEach((d, k) => { d.open = open[k]; });
    const place = document.getElementById("tried");
    if (place && tried) place.replaceWith(tried);
    body.dataset.identity = fresh.body.dataset.identity;
  };
  const look = async () => {
    if (document.hidden) return;
    try {
      const reply = await ask("/fresh");
      if (!reply.ok) { showAge(); return; }
      const now = await reply.json();
      born = Date.now() - 1000 * now.age_s;
      showAway(false);
      const driving = Boolean(document.querySelector(".driving"));
      if (now.driving !== driving && !location.search.includes("passenger")) { location.reload(); return; }
      const busy = document.activeElement && document.activeElement.closest("#live form");
      if (now.identity !== body.dataset.identity && !busy) await renew();
    } catch (_) { showAway(true); }
    showAge();
  };

  const attempt = async (form, button) => {
    const data = new FormData(form);
    if (button && button.name) data.append(button.name, button.value);
    const place = document.getElementById("tried");
    const query = new URLSearchParams([...data].filter((x) => x[1] !== ""));
    query.set("part", "1");
    place.innerHTML = "<p>Working it out.</p>";
    place.scrollIntoView({ block: "nearest" });
    for (let turn = 0; turn < 120; turn += 1) {
      try {
        const reply = await ask("/try?" + query);
        if (reply.status === 200 || reply.status === 400) {
          place.innerHTML = await reply.text();
          place.scrollIntoView({ block: "nearest" });
          return;
        }
      } catch (_) { /* the phone may be away for a moment */ }
      await new Promise((go) => setTimeout(go, 1000));
    }
    place.textContent = "No answer yet; try again later.";
  };

  let sure = false;
  const write = async (form) => {
    const said = form.querySelector(".said-back");
    const send = Object.fromEntries(new FormData(form));
    if (form.dataset.kind) send.kind = form.dataset.kind;
    if (form.dataset.step) send.step = Number(form.dataset.step);
    if (send.kind === "time") send.sure = sure;
    send.now_ms = Date.now();
    try {
      const reply = await ask(form.dataset.to, {
        method: "POST",
        headers: { "Content-Type": "application/json", "X-Page-Write": "1" },
        body: JSON.stringify(send),
      });
      const told = await reply.json();
      said.textContent = told.text;
      sure = Boolean(told.ask);
      if (told.ask) form.querySelector("button").textContent = "Yes, my phone is right";
      if (told.reload) setTimeout(() => location.reload(), 600);
      if (reply.ok && send.kind === "note") form.reset();
    } catch (_) { said.textContent = "Not sent: not connected."; }
  };

  document.addEventListener("submit", (event) => {
    const form = event.target;
    if (form.matches("form.try")) { event.preventDefault(); attempt(form, event.submitter); }
    if (form.matches("form.write")) { event.preventDefault(); write(form); }
  });
  document.addEventListener("visibilitychange", look);
  setInterval(showAge, 10000);
  setInterval(look, 20000);
})();
