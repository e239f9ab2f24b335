"use strict";
// Charts and pictures of levels, drawn by plotly.js over the still ones. What is added to it here:
// the page's look and ticks, and boxes, sliders, buttons and readings in words for every hand.
const charts = (async () => {
  const root = document.documentElement;
  const dark = matchMedia("(prefers-color-scheme: dark)");
  const finger = matchMedia("(pointer: coarse)");
  const CONFIG = { displayModeBar: false, doubleClick: false, responsive: true, showTips: false };
  const LEAST = 0.02; // The narrowest view, as a part of the whole.
  const APART = 0.03; // How far from the place that is read a point may lie, as a part of the whole.

  // The policy lets this one text run as a script, and no other.
  async function unpack() {
    const stream = new Blob([bytesOf(document.getElementById("library").textContent)]).stream();
    const script = document.createElement("script");
    script.textContent = await new Response(stream.pipeThrough(new DecompressionStream("deflate"))).text();
    document.head.append(script);
  }

  function bytesOf(text) {
    const letters = atob(text);
    const bytes = new Uint8Array(letters.length);
    for (let n = 0; n < bytes.length; n += 1) bytes[n] = letters.charCodeAt(n);
    return bytes;
  }

  const onLog = (axis, value) => (axis.kind === "frequency" ? Math.log10(value) : value);
  const offLog = (axis, place) => (axis.kind === "frequency" ? 10 ** place : place);

  // Values at 1, 2 and 5 times the powers of ten; in less than three octaves evenly spaced ones.
  function ticks(axis, low, high, most) {
    if (axis.kind === "frequency" && high / low > 8) {
      const digits = 3 * Math.log10(high / low) > most ? [1] : [1, 2, 5];
      const all = [1, 10, 100, 1000, 10000].flatMap((decade) => digits.map((one) => one * decade));
      return all.filter((hz) => hz >= low && hz <= high);
    }
    const power = 10 ** Math.floor(Math.log10((high - low) / most));
    const step = [1, 2, 5, 10].map((one) => one * power).find((one) => one >= 0.999 * (high - low) / most);
    const first = Math.ceil(low / step - 1e-9);
    const count = Math.floor(high / step + 1e-9) - first + 1;
    return Array.from({ length: count }, (_, k) => Number(((first + k) * step).toPrecision(12)));
  }

  function tickText(axis, value) {
    if (axis.kind === "time") return words.time(value).replace(/0$/, "");
    if (axis.kind === "frequency" && value >= 1000) return `${value / 1000} k`;
    return words.minus(String(value));
  }

  function axisOf(axis, view, most, more) {
    const [low, high] = view.map((part) => scale.value(axis, part));
    const tickvals = ticks(axis, low, high, most);
    return {
      type: axis.kind === "frequency" ? "log" : "linear",
      range: [onLog(axis, low), onLog(axis, high)],
      tickvals, ticktext: tickvals.map((value) => tickText(axis, value)), tickangle: 0,
      ticks: "", zeroline: false,
      ...more,
    };
  }

  // The library draws pictures fast on plain axes alone: their places are parts of the whole.
  function evenAxisOf(axis, view, most, more) {
    const { tickvals, ...one } = axisOf(axis, view, most, more);
    return { ...one, type: "linear", range: view, tickvals: tickvals.map((value) => scale.part(axis, value)) };
  }

  const colour = (name) => getComputedStyle(root).getPropertyValue(`--${name}`).trim();
  const rem = () => parseFloat(getComputedStyle(root).fontSize);
  const fitting = ({ kind }, drawing) => drawing.clientWidth / (rem() * (kind === "frequency" ? 3 : 7));
  const spike = () => ({
    showspikes: true, spikemode: "across", spikesnap: "hovered data", spikethickness: 1,
    spikedash: "solid", spikecolor: colour("ink"),
  });

  function layoutOf(top, bottom, more) {
    return {
      autosize: true,
      dragmode: finger.matches ? false : "zoom", // A finger scrolls the page.
      font: { family: getComputedStyle(document.body).fontFamily, size: 0.8 * rem(), color: colour("soft") },
      hoverdistance: -1, showlegend: false,
      margin: { l: 2.9 * rem(), r: 0, t: top * rem(), b: bottom * rem(), pad: 0 },
      paper_bgcolor: colour("paper"), plot_bgcolor: "transparent",
      ...more,
    };
  }

  function around(centre, width) {
    const half = Math.min(Math.max(width, LEAST), 1) / 2;
    const middle = Math.min(Math.max(centre, half), 1 - half);
    return [middle - half, middle + half];
  }

  // What charts and pictures share: a view in parts of the whole, how it is changed, when it is drawn.
  function live(figure, sliders, draw, point, partOf) {
    const view = { x: [0, 1], y: [0, 1] };
    const drawings = [...figure.querySelectorAll(".drawing")];

    function show(next) {
      Object.assign(view, next);
      draw(view);
      point();
    }

    const widthOf = ([from, to]) => to - from;
    const place = (name) => Number(sliders[name].value) / 1000;

    function zoom(factor) {
      const next = Object.keys(sliders).map((name) => [name, around(place(name), factor * widthOf(view[name]))]);
      show(Object.fromEntries(next));
    }

    function moved(name) {
      const [from, to] = view[name];
      if (place(name) < from || place(name) > to) show({ [name]: around(place(name), to - from) });
      else point();
    }

    figure.classList.add("drawn");
    show({});
    for (const drawing of drawings) {
      drawing.on("plotly_relayout", () => {
        const part = (name, { range }) => {
          const [low, high] = range.map((place) => partOf(name, place));
          return around((low + high) / 2, high - low);
        };
        show({ x: part("x", drawing.layout.xaxis), y: part("y", drawing.layout.yaxis) });
      });
      drawing.on("plotly_doubleclick", () => show({ x: [0, 1], y: [0, 1] }));
    }
    for (const [name, slider] of Object.entries(sliders)) slider.addEventListener("input", () => moved(name));
    figure.querySelector(".closer").addEventListener("click", () => zoom(0.5));
    figure.querySelector(".farther").addEventListener("click", () => zoom(2));
    figure.querySelector(".whole").addEventListener("click", () => show({ x: [0, 1], y: [0, 1] }));
    for (const media of [dark, finger]) media.addEventListener("change", () => show({}));
    return show;
  }

  // How a curve looks is told by its sample in the legend, which the style sheet draws.
  function tracesOf(curve, k, box) {
    const style = getComputedStyle(box.parentNode.querySelector(".sample > *"));
    const width = parseFloat(style.strokeWidth);
    const one = { meta: k, x: curve.x, y: curve.y, visible: box.checked, hoverinfo: "none" };
    if (curve.marks) {
      const symbol = style.strokeLinecap === "square" ? "square" : "circle";
      const strokes = curve.low && {
        type: "data", symmetric: false, width: 0, thickness: 1.6, color: style.stroke,
        array: curve.high.map((high, n) => high - curve.y[n]),
        arrayminus: curve.low.map((low, n) => curve.y[n] - low),
      };
      return [{ ...one, mode: "markers", marker: { color: style.stroke, size: width, symbol, opacity: 1 }, error_y: strokes || {} }];
    }
    const dash = style.strokeDasharray === "none" ? "solid" : style.strokeDasharray;
    const line = { ...one, mode: "lines", line: { color: style.stroke, width, dash } };
    if (!curve.low) return [line];
    const band = {
      visible: box.checked, hoverinfo: "skip", mode: "lines", line: { width: 0 }, fill: "toself",
      fillcolor: style.stroke.replace("rgb(", "rgba(").replace(")", ", 0.16)"),
      x: [...curve.x, ...curve.x.slice().reverse()], y: [...curve.high, ...curve.low.slice().reverse()],
    };
    return [band, line];
  }

  function chart(figure) {
    const data = JSON.parse(figure.querySelector("script.data").textContent);
    const drawing = figure.querySelector(".drawing");
    const at = figure.querySelector(".at");
    const reading = figure.querySelector(".reading");
    const boxes = [...figure.querySelectorAll("input[data-curve]")];

    function draw(view) {
      const marks = {
        x: data.marks, y: data.marks.map(() => 0), yaxis: "y2", mode: "markers", hoverinfo: "skip",
        marker: { color: colour("ink"), symbol: "triangle-up", size: 9, opacity: 1 }, cliponaxis: false,
      };
      const notes = Array.from({ length: data.notes ? 10 : 0 }, (_, octave) => ({
        text: `A${octave}`, x: Math.log10(440 * 2 ** (octave - 4)), y: 1, yref: "paper", yanchor: "bottom",
        showarrow: false,
      }));
      Plotly.react(drawing, [...data.curves.flatMap((curve, k) => tracesOf(curve, k, boxes[k])), marks], layoutOf(1.3, 1.5, {
        hovermode: "x",
        xaxis: axisOf(data.x, view.x, fitting(data.x, drawing), { showgrid: false, showline: true, linecolor: colour("ink"), ...spike() }),
        yaxis: axisOf(data.y, view.y, 6, { ticklabelstandoff: 4, gridcolor: colour("rule"), zeroline: true, zerolinecolor: colour("soft") }),
        yaxis2: { overlaying: "y", range: [0, 1], fixedrange: true, visible: false },
        annotations: notes,
      }), CONFIG);
    }

    const far = (x, from) => Math.abs(scale.part(data.x, x) - scale.part(data.x, from));
    const nearest = ({ x }, wanted) => x.reduce((best, one, n) => (far(one, wanted) < far(x[best], wanted) ? n : best), 0);

    function told(curve, x) {
      const n = nearest(curve, x);
      if (far(curve.x[n], x) > APART) return [];
      const number = (values) => words.number(values[n], data.y.digits);
      const interval = curve.low ? ` (${number(curve.low)} to ${number(curve.high)})` : "";
      return [`${curve.name} ${number(curve.y)} ${data.y.unit}${interval}`];
    }

    function read(wanted) {
      const shown = data.curves.filter((_, k) => boxes[k].checked);
      const all = shown.map((curve) => curve.x[nearest(curve, wanted)]);
      const x = all.reduce((best, one) => (far(one, wanted) < far(best, wanted) ? one : best), all[0] ?? wanted);
      reading.textContent = `${words.along(data.x, x)}: ${shown.flatMap((curve) => told(curve, x)).join("; ")}`;
      return x;
    }

    const point = () => Plotly.Fx.hover(drawing, { xval: read(scale.value(data.x, Number(at.value) / 1000)) });

    const show = live(figure, { x: at }, draw, point, (name, place) => scale.part(data[name], offLog(data[name], place)));
    drawing.on("plotly_hover", ({ points }) => {
      at.value = String(1000 * scale.part(data.x, read(points[0].x)));
    });
    for (const box of boxes) box.addEventListener("change", () => show({}));
  }

  function maps(figure) {
    const data = JSON.parse(figure.querySelector("script.data").textContent);
    const drawings = [...figure.querySelectorAll(".drawing")];
    const reading = figure.querySelector(".reading");
    const sliders = { x: figure.querySelector(".at"), y: figure.querySelector(".height") };
    const [rows, columns] = data.pictures[0].levels.shape.split(",").map(Number);
    const greys = data.pictures.map(({ levels }) => bytesOf(levels.bdata));

    function draw(view) {
      drawings.forEach((drawing, k) => {
        const last = k === drawings.length - 1;
        const lines = { showgrid: false, ...spike() };
        Plotly.react(drawing, [{
          type: "heatmap", zsmooth: "fast", z: data.pictures[k].levels, zmin: 0, zmax: 255,
          x0: 0.5 / columns, dx: 1 / columns, y0: 0.5 / rows, dy: 1 / rows,
          colorscale: [[0, colour("flat")], [1, colour("strong")]], showscale: false, hoverinfo: "none",
        }], layoutOf(0, last ? 1.5 : 0, {
          hovermode: "closest",
          xaxis: evenAxisOf(data.x, view.x, fitting(data.x, drawing), { showticklabels: last, ...lines }),
          yaxis: evenAxisOf(data.y, view.y, drawing.clientHeight / (1.6 * rem()), { ticklabelstandoff: 4, ...lines }),
        }), CONFIG);
      });
    }

    function read(row, column) {
      const told = data.pictures.map(({ name, low, high }, k) => {
        const level = low + (high - low) * greys[k][row * columns + column] / 255;
        return `${name} ${words.number(level, 1)} dB`;
      });
      const [x, y] = [(column + 0.5) / columns, (row + 0.5) / rows];
      const place = `${words.along(data.x, scale.value(data.x, x))}, ${words.along(data.y, scale.value(data.y, y))}`;
      reading.textContent = `${place}: ${told.join("; ")}`;
      return { xval: x, yval: y };
    }

    function point() {
      const [x, y] = [sliders.x, sliders.y].map((slider) => Number(slider.value) / 1000);
      const cell = read(Math.min(Math.floor(y * rows), rows - 1), Math.min(Math.floor(x * columns), columns - 1));
      for (const drawing of drawings) Plotly.Fx.hover(drawing, cell, "xy", true);
    }

    live(figure, sliders, draw, point, (name, place) => place);
    for (const drawing of drawings) {
      drawing.on("plotly_hover", ({ points: [{ pointNumber: [row, column] }] }) => {
        sliders.x.value = String(1000 * (column + 0.5) / columns);
        sliders.y.value = String(1000 * (row + 0.5) / rows);
        const cell = read(row, column);
        for (const other of drawings) if (other !== drawing) Plotly.Fx.hover(other, cell, "xy", true);
      });
    }
  }

  await unpack();
  document.querySelectorAll("figure.chart").forEach(chart);
  document.querySelectorAll("figure.maps").forEach(maps);
})();
