"use strict";
(() => {
  const looks = /*LOOKS*/{};
  const dark = window.matchMedia("(prefers-color-scheme: dark)");
  const widest = 680;

  // Set the width of every drawing area inside a chart, and let panels stand in one column
  // where two have no room.
  const resize = (spec, width) => {
    if (typeof spec.width === "number") spec.width = width;
    if (spec.columns && spec.spec) {
      if (width < 420) spec.columns = 1;
      const across = spec.columns;
      resize(spec.spec, Math.floor((width - 34 * (across - 1)) / across));
      return;
    }
    if (spec.spec) resize(spec.spec, width);
    for (const inner of spec.vconcat || []) resize(inner, width);
  };

  // On a narrow screen names beside the rows get less room; longer ones go on in a second line.
  const lines = "split(trim(replace(datum.label, regexp('(.{1,19})( |$)', 'g'), '$1\\n')), '\\n')";
  const roomiest = 32; // pixels between rows that two lines need
  const tighten = (node) => {
    if (!node || typeof node !== "object") return;
    for (const key of ["minExtent", "maxExtent", "labelLimit"]) {
      if (node[key] > 130) node[key] = 130;
    }
    const rows = node.encoding && node.encoding.y;
    if (rows && rows.type === "nominal" && rows.axis !== null) {
      rows.axis = { ...rows.axis, labelExpr: lines, labelLineHeight: 13 };
    }
    if (node.layer && node.height && node.height.step) {
      node.height.step = Math.max(node.height.step, roomiest);
    }
    for (const inner of Object.values(node)) tighten(inner);
  };

  const dress = (name, room) => {
    const look = structuredClone(looks[name]);
    if (room < 480) {
      look.axis.labelLimit = 124;
      look.style.on_low.fontSize = look.style.on_high.fontSize = 9;
      look.axis.labelFontSize = 11;
      look.legend.columns = 1;
      look.axisX = { labelOverlap: "greedy", labelSeparation: 6 };
    }
    return look;
  };

  const draw = async (box, name) => {
    const source = JSON.parse(document.getElementById(box.dataset.spec).textContent);
    const room = box.clientWidth || (box.dataset.paper ? 640 : 0);
    if (!room) return;
    const meta = source.usermeta || {};
    const most = meta.widest || widest;
    // cells keep the room that their words need; a narrow screen then scrolls the picture
    const least = Math.min((room < 480 && meta.tightest) || meta.narrowest || 120, most);
    let width = Math.min(most, Math.max(least, room - 90));
    for (let attempt = 0; attempt < 3; attempt += 1) {
      const spec = structuredClone(source);
      resize(spec, width);
      if (room < 480) tighten(spec);
      const made = await window.failstatsEmbed(box, spec, {
        mode: "vega-lite", renderer: "svg", actions: false, ast: true, logLevel: 1,
         config: dress(name, room),
      });
      box.view = made.view;
      const picture = box.querySelector("svg");
      const spare = room - Number(picture.getAttribute("width"));
      if (spare >= 0 && (spare < 12 || width >= most)) break;
      const next = Math.min(most, Math.max(least, width + Math.floor(spare)));
      if (next === width) break;
      width = next;
    }
    const drawn = box.querySelector("svg");
    // a pixel or two too wide is shrunk by the style
    const scrolls = !box.dataset.paper && Number(drawn.getAttribute("width")) > room + 3;
    box.classList.toggle("scrolls", scrolls);
    if (scrolls) box.tabIndex = 0; else box.removeAttribute("tabindex");
    box.dataset.drawn = name;
    setMarks();
  };

  // Sliders: every position was computed beforehand; here its texts are looked up, nothing more.
  const panels = [...document.querySelectorAll(".what-if")].map((box) => ({
    box, data: JSON.parse(document.getElementById(box.dataset.panel).textContent),
    sliders: [...box.querySelectorAll("input")],
  }));
  const place = ({ data, sliders }) => sliders.reduce(
    (at, slider, k) => at * data.sliders[k].texts.length + Number(slider.value), 0);
  // A chart on the screen follows its sliders; its copy for paper stays at today's figures where
  // these are what the slider changes, since the sliders are not printed.
  const setMarks = () => {
    for (const panel of panels) {
      const { data } = panel;
      if (!data.mark) continue;
      const value = data.mark.values[place(panel)];
      for (const chart of document.querySelectorAll(`.chart[data-spec="${data.mark.chart}"]`)) {
        if (!chart.view || (data.said && chart.dataset.paper)) continue;
        const { signals } = chart.view.getState({ signals: (name) => name === data.mark.name });
        if (!(data.mark.name in signals)) continue;
        chart.view.signal(data.mark.name, value);
        if (data.said) chart.view.resize(); // other figures are as wide as they are
        chart.view.run();
      }
      if (!data.said) continue;
      for (const words of document.querySelectorAll(`[data-moved="${data.mark.chart}"]`)) {
        words.textContent = data.said[place(panel)];
      }
    }
  };
  for (const panel of panels) {
    const { box, data, sliders } = panel;
    const show = () => {
      const at = place(panel);
      sliders.forEach((slider, k) => {
        const text = data.sliders[k].texts[Number(slider.value)];
        box.querySelectorAll("output")[k].textContent = text;
        slider.setAttribute("aria-valuetext", text);
      });
      box.querySelectorAll("tbody tr").forEach((row, k) => {
        row.querySelectorAll("td").forEach((cell, j) => { cell.textContent = data.cells[at][k][j]; });
      });
      setMarks();
    };
    for (const slider of sliders) slider.addEventListener("input", show);
  }

  const boxes = [...document.querySelectorAll(".chart")];
  let running = Promise.resolve();
  const drawAll = () => {
    running = running.then(async () => {
      for (const box of boxes) {
        const name = box.dataset.paper ? "light" : dark.matches ? "dark" : "light";
        try {
          await draw(box, name);
        } catch (problem) {
          box.textContent = "This chart could not be drawn; the table below has its figures.";
          console.error(problem);
        }
      }
      document.documentElement.dataset.charts = "drawn";
    });
  };

  // On a dark screen the paper still wants dark ink: each chart gets a copy for printing only.
  for (const box of [...boxes]) {
    const copy = box.cloneNode(false);
    copy.removeAttribute("id");
    copy.dataset.paper = "yes";
    copy.classList.add("paper");
    box.after(copy);
    boxes.push(copy);
  }

  let waiting = 0;
  let known = window.innerWidth;
  window.addEventListener("resize", () => {
    if (window.innerWidth === known) return;
    known = window.innerWidth;
    clearTimeout(waiting);
    waiting = setTimeout(drawAll, 150);
  });
  dark.addEventListener("change", drawAll);
  drawAll();
})();
