"use strict";
// Hearing: every voice of a passage starts at once; choosing one is a ramp between gains.
const hearing = (() => {
  const source = document.getElementById("hearing-data");
  if (!source) return null;
  const data = JSON.parse(source.textContent);
  const room = document.getElementById("hearing-room");
  const FADE_S = 0.01;
  const LATER_S = 0.05;
  const decoded = new Map();

  // Waves of 24 bits, as whole numbers; sums of them are exact.
  function wholeNumbers(id) {
    const bytes = atob(document.getElementById(id).textContent);
    const channels = bytes.charCodeAt(22);
    const frames = (bytes.length - 44) / 3 / channels;
    const waves = Array.from({ length: channels }, () => new Int32Array(frames));
    let k = 44;
    for (let n = 0; n < frames; n += 1) {
      for (let c = 0; c < channels; c += 1, k += 3) {
        const top = bytes.charCodeAt(k + 2) << 24;
        waves[c][n] = (top | (bytes.charCodeAt(k + 1) << 16) | (bytes.charCodeAt(k) << 8)) >> 8;
      }
    }
    return waves;
  }

  // The voices of a passage: key to one array of samples a channel.
  function voicesOf(number) {
    if (decoded.has(number)) return decoded.get(number);
    const stored = new Map();
    const wave = (index) => {
      if (!stored.has(index)) stored.set(index, wholeNumbers(`wave-${number}-${index}`));
      return stored.get(index);
    };
    const factor = data.passages[number].scale / 2 ** 23;
    const voices = new Map(data.voices.map((voice) => {
      const channels = wave(voice.parts[0][0]).map((first, c) => {
        const total = new Float32Array(first.length);
        for (let n = 0; n < total.length; n += 1) {
          let sum = 0;
          for (const [index, sign] of voice.parts) sum += sign * wave(index)[c][n];
          total[n] = sum * factor;
        }
        return total;
      });
      return [voice.key, channels];
    }));
    decoded.set(number, voices);
    return voices;
  }

  // A stretch of a voice, its ends faded so that it repeats without a click.
  function stretch(context, channels, from, to) {
    const fade = Math.min(Math.round(FADE_S * data.rate), (to - from) >> 1);
    const buffer = new AudioBuffer({ length: to - from, numberOfChannels: channels.length, sampleRate: data.rate });
    channels.forEach((samples, c) => {
      const cut = samples.slice(from, to);
      for (let n = 0; n < fade; n += 1) {
        cut[n] *= n / fade;
        cut[cut.length - 1 - n] *= n / fade;
      }
      buffer.copyToChannel(cut, c);
    });
    return buffer;
  }

  // Starts all voices at the same moment and place; returns what chooses one, and what stops them.
  function play(context, number, way, key, from, to, when, offset) {
    const out = new GainNode(context, { gain: 1 });
    out.connect(context.destination);
    const gains = data.passages[number].gains[way];
    const lanes = [...voicesOf(number)].map(([name, channels]) => {
      const node = new AudioBufferSourceNode(context, { buffer: stretch(context, channels, from, to), loop: true });
      const level = 10 ** (gains[name] / 20);
      const now = name === key ? level : 0;
      const gain = new GainNode(context, { gain: now });
      node.connect(gain).connect(out);
      node.start(when, offset);
      return { name, node, gain: gain.gain, level, last: { from: now, to: now, at: when } };
    });
    const value = ({ last }, at) => {
      const part = Math.min(Math.max((at - last.at) / FADE_S, 0), 1);
      return last.from + (last.to - last.from) * part;
    };
    return {
      choose(name, at) {
        for (const lane of lanes) {
          const start = value(lane, at);
          const end = lane.name === name ? lane.level : 0;
          lane.gain.cancelScheduledValues(at);
          lane.gain.setValueAtTime(start, at);
          lane.gain.linearRampToValueAtTime(end, at + FADE_S);
          lane.last = { from: start, to: end, at };
        }
      },
      stop(at) {
        out.gain.setValueAtTime(1, at);
        out.gain.linearRampToValueAtTime(0, at + FADE_S);
        for (const lane of lanes) lane.node.stop(at + 2 * FADE_S);
      },
    };
  }

  // The same sound in a buffer: choices are pairs of a time in s and a voice.
  async function rendered(number, way, choices, seconds) {
    const channels = voicesOf(number).values().next().value.length;
    const context = new OfflineAudioContext(channels, Math.round(seconds * data.rate), data.rate);
    const lanes = play(context, number, way, choices[0][1], 0, data.passages[number].frames, 0, 0);
    for (const [at, name] of choices.slice(1)) lanes.choose(name, at);
    const buffer = await context.startRendering();
    return Array.from({ length: channels }, (_, c) => buffer.getChannelData(c));
  }

  const field = (id) => document.getElementById(id);
  const checked = (name) => room.querySelector(`input[name="${name}"]:checked`).value;
  const button = field("play");
  const status = field("status");
  let context = null;
  let lanes = null;
  let began = { when: 0, offset: 0 };
  let rest = 0; // where playing goes on, s from the start of the stretch
  let trial = null;

  const passage = () => Number(checked("passage"));
  const frames = () => data.passages[passage()].frames;
  const ends = () => [Number(field("from").value), Number(field("to").value)]
    .map((part) => Math.round(part / 1000 * frames()));
  const heard = () => (trial && trial.hearing) || checked("voice");
  const way = () => (trial ? data.blindWay : checked("way"));
  const labelOf = (key) => data.voices.find((voice) => voice.key === key).label;
  const length = () => { const [from, to] = ends(); return (to - from) / data.rate; };

  function place() {
    if (!lanes) return rest;
    const passed = Math.max(context.currentTime - began.when, 0);
    return (began.offset + passed) % length();
  }

  function begin() {
    context = context || new AudioContext();
    context.resume();
    const [from, to] = ends();
    const when = context.currentTime + LATER_S;
    began = { when, offset: Math.min(rest, length() - 1 / data.rate) };
    lanes = play(context, passage(), way(), heard(), from, to, when, began.offset);
    button.textContent = "Stop";
    button.setAttribute("aria-pressed", "true");
    requestAnimationFrame(follow);
  }

  function halt() {
    rest = place();
    lanes.stop(context.currentTime);
    lanes = null;
    button.textContent = "Play";
    button.setAttribute("aria-pressed", "false");
  }

  function again(change) {
    const playing = lanes !== null;
    if (playing) halt();
    change();
    if (playing) begin();
    show();
  }

  function choose(key) {
    if (lanes) lanes.choose(key, context.currentTime);
    show();
  }

  function follow() {
    const [from] = ends();
    const now = from / data.rate + place();
    field("position").textContent = words.time(data.passages[passage()].start + now);
    const percent = `${100 * now * data.rate / frames()}%`;
    const line = room.querySelector("#wave > .cursor");
    line.setAttribute("x1", percent);
    line.setAttribute("x2", percent);
    if (lanes) requestAnimationFrame(follow);
  }

  function show() {
    const [from, to] = ends();
    const mark = room.querySelector(".looped");
    mark.setAttribute("x", `${100 * from / frames()}%`);
    mark.setAttribute("width", `${100 * (to - from) / frames()}%`);
    const start = data.passages[passage()].start;
    field("stretch").textContent = `${words.time(start + from / data.rate)} to ${words.time(start + to / data.rate)}`;
    const gains = data.passages[passage()].gains[way()];
    const key = heard();
    status.textContent = `hearing ${trial && trial.hidden ? "X" : labelOf(key)}`;
    const first = data.voices[0];
    const lifted = gains[key] - gains[first.key];
    const common = gains[first.key];
    let told = key === first.key ? "" : `${labelOf(key)} ${words.signed(lifted, 2)} dB against ${first.label}`;
    if (Math.abs(common) > 0.005) told += `${told ? "; " : ""}all ${words.signed(common, 2)} dB, so that nothing clips`;
    field("match").textContent = trial ? "" : told || "as in the file";
    picture(trial ? data.voices[0].key : key);
    follow();
  }

  let drawn = "";
  function picture(key) {
    if (drawn === `${passage()} ${key}`) return;
    drawn = `${passage()} ${key}`;
    const voices = voicesOf(passage());
    const peak = Math.max(...[...voices.get(data.voices[0].key)].map((one) => one.reduce((top, x) => Math.max(top, Math.abs(x)), 0)), 1e-6);
    const samples = voices.get(key)[0];
    const columns = 1000;
    let path = "";
    for (let k = 0; k < columns; k += 1) {
      let low = Infinity;
      let high = -Infinity;
      const end = Math.max(Math.floor((k + 1) * samples.length / columns), Math.floor(k * samples.length / columns) + 1);
      for (let n = Math.floor(k * samples.length / columns); n < end && n < samples.length; n += 1) {
        low = Math.min(low, samples[n]);
        high = Math.max(high, samples[n]);
      }
      if (high >= low) path += `M${k} ${(100 - 96 * high / peak).toFixed(1)}L${k} ${(100.6 - 96 * low / peak).toFixed(1)}`;
    }
    room.querySelector("#wave path").setAttribute("d", path);
  }

  button.addEventListener("click", () => (lanes ? halt() : begin()));
  for (const radio of room.querySelectorAll('input[name="voice"]')) {
    radio.addEventListener("change", () => choose(radio.value));
  }
  for (const radio of room.querySelectorAll('input[name="way"]')) {
    radio.addEventListener("change", () => again(() => {}));
  }
  for (const radio of room.querySelectorAll('input[name="passage"]')) {
    radio.addEventListener("change", () => again(() => { rest = 0; }));
  }
  for (const id of ["from", "to"]) {
    // The stretch keeps at least this part of the passage, in thousandths.
    const LEAST = 50;
    field(id).addEventListener("input", () => {
      const [from, to] = ["from", "to"].map((one) => Number(field(one).value));
      if (to - from < LEAST) {
        const start = Math.min(Math.max(id === "from" ? from : to - LEAST, 0), 1000 - LEAST);
        field("from").value = String(start);
        field("to").value = String(start + LEAST);
      }
      show();
    });
    field(id).addEventListener("change", () => again(() => { rest = 0; }));
  }
  room.querySelector("#wave").addEventListener("click", (event) => {
    const box = event.currentTarget.getBoundingClientRect();
    const at = (event.clientX - box.left) / box.width * frames();
    const [from, to] = ends();
    again(() => { rest = Math.min(Math.max(at - from, 0), to - from - 1) / data.rate; });
  });
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const { tagName, type } = event.target;
    const free = type === "radio" || !["BUTTON", "INPUT", "SUMMARY"].includes(tagName);
    if (event.key === " " && free) {
      event.preventDefault();
      button.click();
    } else if (/^[1-9]$/.test(event.key) && !trial) {
      const radio = room.querySelectorAll('input[name="voice"]')[Number(event.key) - 1];
      if (radio) radio.click();
    }
  });

  // Blind trial.
  const ROUNDS = 10;
  function chance(right) {
    let ways = 0;
    let choose = 1;
    for (let k = 0; k <= ROUNDS; k += 1) {
      if (k >= right) ways += choose;
      choose = choose * (ROUNDS - k) / (k + 1);
    }
    return ways / 2 ** ROUNDS;
  }

  function lock(on) {
    for (const one of room.querySelectorAll(".voices, .ways")) one.disabled = on;
    field("round").hidden = !on;
    field("begin").hidden = on;
  }

  function nextRound() {
    trial.secret = crypto.getRandomValues(new Uint8Array(1))[0] & 1;
    trial.hidden = true;
    trial.hearing = data.blind[trial.secret];
    field("count").textContent = `Round ${trial.round + 1} of ${ROUNDS}`;
    mark("x");
    again(() => {});
  }

  function mark(which) {
    for (const one of room.querySelectorAll("[data-hear]")) {
      one.setAttribute("aria-pressed", String(one.dataset.hear === which));
    }
  }

  function finish(whole) {
    const { right, round } = trial;
    trial = null;
    lock(false);
    const p = chance(right);
    const least = p < 0.001 ? "less than 0.1" : (100 * p).toFixed(1);
    const verdict = p < 0.05
      ? "You hear a difference."
      : "That does not show that you hear a difference.";
    field("result").textContent = whole
      ? `${right} of ${ROUNDS} right. Guessing alone gives as many or more in ${least} % of such trials. ${verdict}`
      : `Ended after ${round} rounds; no result.`;
    again(() => {});
    field("begin").focus();
  }

  if (data.blind.length) {
    for (const k of [0, 1]) {
      room.querySelector(`[data-hear="${k}"]`).textContent = labelOf(data.blind[k]);
      room.querySelector(`[data-answer="${k}"]`).textContent = `X is ${labelOf(data.blind[k])}`;
    }
    field("begin").addEventListener("click", () => {
      trial = { round: 0, right: 0, secret: 0, hidden: true, hearing: null };
      field("result").textContent = "";
      lock(true);
      nextRound();
      if (!lanes) begin();
      room.querySelector('[data-hear="0"]').focus();
    });
    for (const one of room.querySelectorAll("[data-hear]")) {
      one.addEventListener("click", () => {
        trial.hidden = one.dataset.hear === "x";
        trial.hearing = data.blind[trial.hidden ? trial.secret : Number(one.dataset.hear)];
        mark(one.dataset.hear);
        choose(trial.hearing);
        if (!lanes) begin();
      });
    }
    for (const one of room.querySelectorAll("[data-answer]")) {
      one.addEventListener("click", () => {
        trial.right += Number(one.dataset.answer) === trial.secret ? 1 : 0;
        trial.round += 1;
        if (trial.round === ROUNDS) finish(true); else nextRound();
      });
    }
    field("end").addEventListener("click", () => finish(false));
  }

  show();
  return { voicesOf, rendered, chance, place };
})();
