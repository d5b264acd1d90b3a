// Puts the values of each server-sent event in their places. Without this script the page is whole, but stands still.
"use strict";
(() => {
  const LOST_AFTER_MS = 8000;
  const lost = document.getElementById("lost");
  let heard = performance.now();
  let source = null;

  const put = (place, text) => {
    for (const node of document.querySelectorAll(`[data-live="${CSS.escape(place)}"]`)) {
      if (node.textContent !== text) node.textContent = text;
    }
  };

  const take = (event) => {
    heard = performance.now();
    lost.hidden = true;
    document.body.classList.remove("old");
    const now = JSON.parse(event.data);
    put("at", now.at);
    for (const mechanism of now.mechanisms) {
      for (const [name, text] of Object.entries(mechanism.text)) put(`${mechanism.id}/${name}`, text);
      for (const node of document.querySelectorAll(`[data-state="${CSS.escape(mechanism.id)}"]`)) {
        node.classList.toggle("stale", mechanism.stale);
      }
      for (const node of document.querySelectorAll(`[data-banner="${CSS.escape(mechanism.id)}"]`)) {
        if (node.textContent !== mechanism.banner) node.textContent = mechanism.banner;
        node.hidden = mechanism.banner === "";
      }
    }
  };

  const listen = () => {
    source = new EventSource("/events");
    source.onmessage = take;
  };

  setInterval(() => {
    if (performance.now() - heard > LOST_AFTER_MS) {
      lost.hidden = false;
      document.body.classList.add("old");
      // A browser gives up for good after some answers; begin anew then.
      if (source.readyState === EventSource.CLOSED) listen();
    }
  }, 2000);

  // Printed, a sheet shows what it rests on.
  let folded = [];
  addEventListener("beforeprint", () => {
    folded = [...document.querySelectorAll("details:not([open])")];
    for (const node of folded) node.open = true;
  });
  addEventListener("afterprint", () => {
    for (const node of folded) node.open = false;
    folded = [];
  });

  listen();
})();
