// What pages gain with scripts on: live parts, a word that says when they are no
// longer live, values under the pointer, and views that change without a reload.
// Everything can be read without it.
"use strict";
(() => {
  const body = document.body;
  const $ = (id) => document.getElementById(id);
  const status = $("status");
  if (!status) return;
  const statusWord = $("status-word");
  const statusTime = $("status-time");

  const LOST_AFTER = 4000; // ms without a beat; beats come every 2 s
  let source = null;
  let lastBeat = Date.now();
  let lost = false;
  let lastTime = statusTime.textContent; // clock of what is shown
  let opened = 0;

  // setText leaves equal text alone: a live region must not speak twice.
  const setText = (el, text) => {
    if (el && el.textContent !== text) el.textContent = text;
  };

  // replace puts new content into an element and keeps focus and what was opened.
  const replace = (el, html) => {
    const open = [...el.querySelectorAll("details[open]")].map((d) => d.id);
    const active = el.contains(document.activeElement) ? document.activeElement.id : "";
    el.innerHTML = html;
    for (const id of open) {
      const d = id && $(id);
      if (d) d.open = true;
    }
    if (active && $(active)) $(active).focus({ preventScroll: true });
  };

  const setLost = (now) => {
    if (now === lost) return;
    lost = now;
    document.documentElement.classList.toggle("lost", lost);
    for (const el of document.querySelectorAll(".lastknown")) showLast(el);
    if (lost) {
      status.classList.remove("live");
      status.classList.add("old");
      setText(statusWord, status.dataset.lost);
    }
  };

  const showLast = (el) => {
    el.hidden = !lost;
    setText(el, lost ? status.dataset.last.replace("%", lastTime.slice(0, 5)) : "");
  };

  const onBeat = (data) => {
    const wasLost = lost;
    lastBeat = Date.now();
    lastTime = data.time;
    setLost(false);
    status.classList.toggle("live", !data.old);
    status.classList.toggle("old", data.old);
    setText(statusWord, data.word);
    setText(statusTime, data.time);
    statusTime.hidden = false;
    if (wasLost) refetch(true);
  };

  const connect = () => {
    if (!body.dataset.events || document.hidden) return;
    if (source) source.close();
    opened = Date.now();
    source = new EventSource(body.dataset.events);
    source.addEventListener("beat", (e) => onBeat(JSON.parse(e.data)));
    source.addEventListener("part", (e) => {
      for (const [id, html] of Object.entries(JSON.parse(e.data))) {
        const el = $(id);
        if (!el) continue;
        replace(el, html);
        for (const last of el.querySelectorAll(".lastknown")) showLast(last);
      }
    });
    source.addEventListener("say", (e) => {
      const data = JSON.parse(e.data);
      setText($(data.act ? "shout" : "say"), data.text);
    });
  };

  // A sleeping phone stops timers; on waking the age is seen at once.
  setInterval(() => {
    if (document.hidden || !body.dataset.events) return;
    if (Date.now() - lastBeat > LOST_AFTER) {
      setLost(true);
      const dead = !source || source.readyState === EventSource.CLOSED;
      if ((dead && Date.now() - opened > 1000) || Date.now() - opened > 10000) connect();
    }
  }, 500);
  window.addEventListener("offline", () => setLost(true));
  window.addEventListener("online", connect);
  document.addEventListener("visibilitychange", () => {
    if (document.hidden) {
      if (source) source.close();
      source = null;
      return;
    }
    if (Date.now() - lastBeat > LOST_AFTER) setLost(true);
    connect();
  });
  window.addEventListener("pagehide", () => source && source.close());
  window.addEventListener("pageshow", (e) => e.persisted && connect());
  connect();

  // Drawings and parts that are fetched anew: by their own address (data-src), or
  // the part of this page with the same id (data-refresh).
  const due = new Map();
  const refetch = async (all) => {
    if (document.hidden || (lost && !all)) return;
    for (const el of document.querySelectorAll("[data-src], [data-refresh]")) {
      const every = 1000 * Number(el.dataset.every || el.dataset.refresh);
      if (!all && Date.now() - (due.get(el) || 0) < every) continue;
      if (reading && el.contains(reading)) continue; // somebody reads a value there
      due.set(el, Date.now());
      try {
        const answer = await fetch(el.dataset.src || location.href);
        if (!answer.ok) continue;
        const text = await answer.text();
        if (el.dataset.src) replace(el, text);
        else {
          const fresh = new DOMParser().parseFromString(text, "text/html").getElementById(el.id);
          if (fresh) replace(el, fresh.innerHTML);
        }
      } catch {
        // The beat tells that the server is out of reach; the next round tries again.
      }
    }
  };
  let reading = null;
  for (const el of document.querySelectorAll("[data-src], [data-refresh]")) due.set(el, Date.now());
  setInterval(() => refetch(false), 1000);

  // Earlier, later, wider, narrower: fetch the new drawing, keep the place.
  const swap = async (url, push) => {
    const old = $("view");
    try {
      const answer = await fetch(url);
      if (!answer.ok) throw new Error(answer.status);
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      const fresh = page.getElementById("view");
      if (!fresh || !old) throw new Error("no view");
      replace(old, fresh.innerHTML);
      document.title = page.title;
      if (push) history.pushState({ swap: true }, "", url);
      setText($("say"), old.querySelector("h1").textContent);
    } catch {
      location.href = url;
    }
  };
  document.addEventListener("click", (e) => {
    const a = e.target.closest("a[data-swap]");
    if (!a || e.defaultPrevented || e.button || e.ctrlKey || e.metaKey || e.shiftKey || e.altKey) return;
    e.preventDefault();
    swap(a.href, true);
  });
  if ($("view")) window.addEventListener("popstate", () => swap(location.href, false));

  // The value under the pointer, read from the line as it is drawn.
  const clock = new Intl.DateTimeFormat(body.dataset.lang, { timeZone: body.dataset.zone, month: "short", day: "numeric", hour: "2-digit", minute: "2-digit", second: "2-digit", hour12: false });
  const label = document.createElement("div");
  label.className = "reader";
  label.hidden = true;
  label.setAttribute("aria-hidden", "true");
  body.append(label);
  let hair = null;
  const put = (svg, share) => {
    if (!hair) hair = document.createElementNS("http://www.w3.org/2000/svg", "line");
    hair.setAttribute("class", "hair");
    hair.setAttribute("x1", share * 100 + "%");
    hair.setAttribute("x2", share * 100 + "%");
    hair.setAttribute("y1", svg.dataset.top);
    hair.setAttribute("y2", Number(svg.dataset.top) + Number(svg.dataset.plot));
    svg.append(hair);
  };
  const unread = () => {
    reading = null;
    label.hidden = true;
    if (hair) hair.remove();
  };
  const points = (svg) => {
    if (!svg.points) {
      const d = svg.querySelector("path.line")?.getAttribute("d") || "";
      svg.points = [...d.matchAll(/[ML]([-\d.]+) ([-\d.]+)/g)].map((m) => [Number(m[1]) / 1000, Number(m[2]) / 1000]);
    }
    return svg.points;
  };
  document.addEventListener("pointermove", (e) => {
    const svg = e.target.closest ? e.target.closest("svg.time[data-from]") : null;
    if (!svg) return unread();
    const box = svg.getBoundingClientRect();
    const x = (e.clientX - box.left) / box.width;
    let near = null;
    for (const p of points(svg)) if (!near || Math.abs(p[0] - x) < Math.abs(near[0] - x)) near = p;
    if (!near || Math.abs(near[0] - x) > 0.02) return unread(); // a gap is a gap
    const low = Number(svg.dataset.low), high = Number(svg.dataset.high);
    const from = Number(svg.dataset.from), to = Number(svg.dataset.to);
    const value = high - near[1] * (high - low);
    const digits = Math.max(0, 2 - Math.floor(Math.log10(Math.max(high - low, 1e-9))));
    reading = svg;
    label.textContent = clock.format(from + near[0] * (to - from)) + "   " + value.toFixed(Math.min(digits, 4));
    label.hidden = false;
    const left = Math.min(Math.max(e.clientX - label.offsetWidth / 2, 4), innerWidth - label.offsetWidth - 4);
    label.style.left = left + "px";
    label.style.top = Math.max(e.clientY - 44, 4) + "px";
    put(svg, near[0]);
  });
  document.addEventListener("pointerleave", unread);
  document.addEventListener("scroll", unread, { passive: true });
})();
