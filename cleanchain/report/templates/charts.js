"use strict";
// Charts: reading, zoom along the axis, curves shown and hidden; pictures: reading.
(() => {
  const SVG = "http://www.w3.org/2000/svg";

  function nearest(xs, x) {
    let low = 0;
    let high = xs.length - 1;
    while (high - low > 1) {
      const middle = (low + high) >> 1;
      if (xs[middle] <= x) low = middle; else high = middle;
    }
    return Math.abs(xs[low] - x) <= Math.abs(xs[high] - x) ? low : high;
  }

  function ticksOf(axis, from, to) {
    const low = scale.value(axis, from);
    const high = scale.value(axis, to);
    const ticks = [];
    if (axis.kind === "frequency" && high / low > 8) {
      for (let decade = 1; decade <= 10000; decade *= 10) {
        for (const digit of [1, 2, 5]) {
          const hz = digit * decade;
          if (hz >= low && hz <= high) ticks.push({ value: hz, minor: digit !== 1 });
        }
      }
    } else {
      const rough = (high - low) / 7;
      const power = 10 ** Math.floor(Math.log10(rough));
      const step = [1, 2, 5, 10].map((factor) => factor * power).find((one) => one >= rough * 0.999);
      for (let k = Math.ceil(low / step - 1e-9); k * step <= high * (1 + 1e-12); k += 1) {
        ticks.push({ value: k * step, minor: k % 2 !== 0 });
      }
    }
    return ticks;
  }

  function tickText(axis, value) {
    if (axis.kind === "time") return words.time(value).replace(/0$/, "");
    if (axis.kind === "frequency" && value >= 1000) return `${Number((value / 1000).toPrecision(4))} k`;
    return words.minus(String(Number(value.toPrecision(6))));
  }

  function label(parent, percent, text, minor) {
    const one = document.createElementNS(SVG, "text");
    one.setAttribute("x", `${percent}%`);
    one.setAttribute("y", "1.1em");
    const end = percent < 4 ? "first" : percent > 96 ? "last" : "";
    one.setAttribute("class", `${minor ? "minor" : ""} ${end}`.trim());
    one.textContent = text;
    parent.append(one);
  }

  function chart(figure) {
    const data = JSON.parse(figure.querySelector("script.data").textContent);
    const field = figure.querySelector(".field");
    const view = figure.querySelector(".view");
    const cursor = figure.querySelector(".cursor");
    const at = figure.querySelector(".at");
    const reading = figure.querySelector(".reading");
    const foot = figure.querySelector(".foot");
    const top = figure.querySelector(".top");
    const notes = top.children.length > 0;
    const shown = data.curves.map(() => true);
    let from = 0;
    let to = 1;
    let place = 0.5;

    function told(curve, x) {
      const k = nearest(curve.x, x);
      const far = Math.abs(scale.part(data.x, curve.x[k]) - scale.part(data.x, x));
      if (far > 0.03) return null;
      let text = `${curve.name} ${words.number(curve.y[k], data.y.digits)} ${data.y.unit}`;
      if (curve.low) {
        text += ` (${words.number(curve.low[k], data.y.digits)} to ${words.number(curve.high[k], data.y.digits)})`;
      }
      return text;
    }

    function read() {
      const first = data.curves.find((_, k) => shown[k]) || data.curves[0];
      const wanted = scale.value(data.x, place);
      const x = first.x[nearest(first.x, wanted)];
      const part = (scale.part(data.x, x) - from) / (to - from);
      cursor.setAttribute("x1", `${100 * part}%`);
      cursor.setAttribute("x2", `${100 * part}%`);
      const all = data.curves.filter((_, k) => shown[k]).map((curve) => told(curve, x));
      reading.textContent = `${words.along(data.x, x)}: ${all.filter(Boolean).join("; ")}`;
    }

    function redraw() {
      view.setAttribute("viewBox", `${1000 * from} 0 ${1000 * (to - from)} 1000`);
      foot.replaceChildren();
      for (const tick of ticksOf(data.x, from, to)) {
        const part = (scale.part(data.x, tick.value) - from) / (to - from);
        label(foot, 100 * part, tickText(data.x, tick.value), tick.minor);
      }
      if (notes) {
        top.replaceChildren();
        for (let octave = 0; octave < 10; octave += 1) {
          const part = (scale.part(data.x, 440 * 2 ** (octave - 4)) - from) / (to - from);
          if (part > 0 && part < 1) label(top, 100 * part, `A${octave}`, octave % 2 !== 0 && to - from > 0.5);
        }
      }
      for (const mark of figure.querySelectorAll("[data-place]")) {
        mark.setAttribute("x", `${100 * (Number(mark.dataset.place) - from) / (to - from)}%`);
      }
      read();
    }

    function zoom(centre, width) {
      const half = Math.min(Math.max(width, 0.02), 1) / 2;
      const middle = Math.min(Math.max(centre, half), 1 - half);
      from = middle - half;
      to = middle + half;
      place = Math.min(Math.max(place, from), to);
      redraw();
    }

    const partOf = (event) => {
      const box = field.getBoundingClientRect();
      return from + (to - from) * Math.min(Math.max((event.clientX - box.left) / box.width, 0), 1);
    };
    let dragged = null;
    field.addEventListener("pointerdown", (event) => { dragged = partOf(event); });
    field.addEventListener("pointermove", (event) => {
      place = partOf(event);
      at.value = String(1000 * place);
      read();
    });
    field.addEventListener("pointerup", (event) => {
      const end = partOf(event);
      if (dragged !== null && Math.abs(end - dragged) > 0.03 * (to - from)) {
        zoom((end + dragged) / 2, Math.abs(end - dragged));
      }
      dragged = null;
    });
    field.addEventListener("pointerleave", () => { dragged = null; });
    field.addEventListener("dblclick", () => zoom(0.5, 1));
    at.addEventListener("input", () => {
      place = Number(at.value) / 1000;
      if (place < from || place > to) zoom(place, to - from); else read();
    });
    figure.querySelector(".closer").addEventListener("click", () => zoom(place, (to - from) / 2));
    figure.querySelector(".farther").addEventListener("click", () => zoom(place, 2 * (to - from)));
    figure.querySelector(".whole").addEventListener("click", () => zoom(0.5, 1));
    for (const box of figure.querySelectorAll("input[data-curve]")) {
      box.addEventListener("change", () => {
        const k = Number(box.dataset.curve);
        shown[k] = box.checked;
        view.querySelector(`[data-curve="${k}"]`).classList.toggle("away", !box.checked);
        read();
      });
    }
    redraw();
  }

  function pixels(image) {
    return new Promise((resolve) => {
      const picture = new Image();
      picture.onload = () => {
        const canvas = document.createElement("canvas");
        canvas.width = picture.naturalWidth;
        canvas.height = picture.naturalHeight;
        const context = canvas.getContext("2d", { willReadFrequently: true });
        context.drawImage(picture, 0, 0);
        resolve(context.getImageData(0, 0, canvas.width, canvas.height));
      };
      picture.src = image.getAttribute("href");
    });
  }

  async function maps(figure) {
    const data = JSON.parse(figure.querySelector("script.data").textContent);
    const fields = [...figure.querySelectorAll(".field")];
    const time = figure.querySelector(".at");
    const height = figure.querySelector(".height");
    const reading = figure.querySelector(".reading");
    const grey = await Promise.all(fields.map((one) => pixels(one.querySelector("image"))));

    function read() {
      const x = Number(time.value) / 1000;
      const y = Number(height.value) / 1000;
      const told = data.pictures.map((picture, k) => {
        const { width, height: rows, data: bytes } = grey[k];
        const column = Math.min(Math.floor(x * width), width - 1);
        const row = Math.min(Math.floor((1 - y) * rows), rows - 1);
        const level = bytes[4 * (row * width + column)] / 255;
        const text = words.number(picture.low + (picture.high - picture.low) * level, 1);
        return `${picture.name} ${text} dB`;
      });
      const where = `${words.time(scale.value(data.x, x))}, ${words.along(data.y, scale.value(data.y, y))}`;
      reading.textContent = `${where}: ${told.join("; ")}`;
      for (const field of fields) {
        const [upright, across] = field.querySelectorAll(".cursor");
        for (const end of ["x1", "x2"]) upright.setAttribute(end, `${100 * x}%`);
        for (const end of ["y1", "y2"]) across.setAttribute(end, `${100 * (1 - y)}%`);
      }
    }

    for (const field of fields) {
      field.addEventListener("pointermove", (event) => {
        const box = field.getBoundingClientRect();
        time.value = String(1000 * (event.clientX - box.left) / box.width);
        height.value = String(1000 * (1 - (event.clientY - box.top) / box.height));
        read();
      });
    }
    time.addEventListener("input", read);
    height.addEventListener("input", read);
    read();
  }

  for (const figure of document.querySelectorAll("figure.chart")) chart(figure);
  for (const figure of document.querySelectorAll("figure.maps")) maps(figure);
})();
