// Draws the foot, the pad's thickness and plan against result from the figures the server makes of the plan, and
// prints the plan. The words beside each picture are complete without it.
"use strict";

(() => {
  const plan = document.querySelector('[data-slot-on="plan"]');
  const places = [...document.querySelectorAll("[data-figure]")];
  const AGAIN_MS = 2000;
  const LOOK_MS = 50;
  let asked = 0;

  // The drawing is scaled by its view box, so that it fits a phone, a laptop and a sheet of paper alike.
  async function draw(place, figure) {
    place.hidden = !figure;
    if (!figure) return;
    const { width, height } = figure.layout;
    await window.Plotly.react(place, figure.data, figure.layout, { staticPlot: true, displayModeBar: false });
    for (const drawing of place.querySelectorAll(".main-svg")) {
      drawing.setAttribute("viewBox", `0 0 ${width} ${height}`);
      drawing.removeAttribute("width");
      drawing.removeAttribute("height");
    }
    place.dataset.drawn = plan.dataset.version;
  }

  async function drawAll() {
    if (!window.Plotly) return;
    const turn = (asked += 1);
    const { foot, version } = plan.dataset;
    const theme = document.documentElement.dataset.theme;
    try {
      const answer = await fetch(`figures?foot=${foot}&theme=${theme}&of=${version}`);
      if (!answer.ok || turn !== asked) return;
      const figures = await answer.json();
      for (const place of places) await draw(place, figures[place.dataset.figure]);
    } catch (error) {
      if (!(error instanceof TypeError)) throw error;
      setTimeout(drawAll, AGAIN_MS); // the server went away meanwhile
    }
  }

  new MutationObserver(drawAll).observe(plan, { attributes: true, attributeFilter: ["data-version"] });
  new MutationObserver(drawAll).observe(document.documentElement, {
    attributes: true,
    attributeFilter: ["data-theme"],
  });
  document.addEventListener("click", (event) => {
    if (event.target.closest("button[data-print]")) window.print();
  });

  const ready = setInterval(() => {
    if (!window.Plotly) return;
    clearInterval(ready);
    drawAll();
  }, LOOK_MS);
})();
