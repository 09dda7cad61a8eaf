// The list of advisories, acknowledging, and calling for attention: sound, notification, voice.

import { attribute, byId, el, hide, shapeParts, svg, text } from "./dom.js";
import { spell, utcClock } from "./measures.js";

const TITLE = { warning: "Warning", caution: "Caution", advisory: "Advisory" };
const REPEAT_MS = 8000; // an unacknowledged warning sounds again
const PAST_SHOWN = 2; // unless all are asked for
const MOST = 60;
const OLD_S = 10; // figures older than a look are said to be of then

export async function acknowledge(aircraft, flight, seq) {
  const answer = await fetch("/ack", { method: "POST",
    headers: { "content-type": "application/json" },
    body: JSON.stringify({ aircraft, flight, seq }) });
  if (!answer.ok) throw new Error((await answer.json()).error ?? "not sent");
}

export class AdvisoryList {
  constructor(list, missing, more) {
    this.list = list;
    this.missing = missing;
    this.more = more;
    this.all = false;
    more.addEventListener("click", () => { this.all = !this.all; this.draw(...this.last); });
    this.items = new Map();
    this.sent = new Map(); // key -> words while an acknowledgement is under way
    this.mayAck = false;
  }

  draw(view, nowT, dateOf) {
    this.view = view;
    this.last = [view, nowT, dateOf];
    const shown = this.choose(view.advisories);
    const keys = new Set();
    shown.forEach((one, index) => {
      const key = this.key(one.seq);
      keys.add(key);
      const item = this.items.get(key) ?? this.make(key, one);
      this.update(item, one, nowT, dateOf);
      if (this.list.children[index] !== item.node) {
        this.list.insertBefore(item.node, this.list.children[index] ?? null);
      }
    });
    for (const [key, item] of this.items) {
      if (!keys.has(key)) { item.node.remove(); this.items.delete(key); }
    }
    if (!shown.length) text(this.missing, "None so far.");
    const lost = view.missing.length;
    if (lost) {
      text(this.missing, `${lost} earlier ${lost > 1 ? "advisories have" : "advisory has"} not `
        + `arrived here (number ${view.missing.slice(0, 6).join(", ")}${lost > 6 ? " …" : ""}).`);
    }
    hide(this.missing, !lost && shown.length > 0);
  }

  // What holds now is always shown; of the past the newest, or all when asked.
  choose(advisories) {
    const past = advisories.filter((a) => !a.active).length;
    const folded = past - PAST_SHOWN;
    hide(this.more, folded <= 0);
    attribute(this.more, "aria-expanded", String(this.all));
    text(this.more, this.all ? "Fewer" : `${folded} earlier`);
    if (this.all || folded <= 0) return advisories.slice(0, MOST);
    return advisories.slice(0, advisories.length - folded);
  }

  key(seq) { return `${this.view.aircraft}/${this.view.flight}/${seq}`; }

  make(key, one) {
    const mark = svg("svg", { class: "shape small", viewBox: "0 0 40 40", "aria-hidden": "true" });
    const item = { mark, head: el("p", { class: "alert-head" }), body: el("p", {}),
      who: el("p", { class: "note" }), button: el("button", { type: "button", hidden: true }) };
    text(item.button, "Acknowledge");
    item.button.addEventListener("click", () => this.press(key, one.seq));
    item.node = el("li", {}, mark, el("div", {}, item.head, item.body, item.who), item.button);
    this.items.set(key, item);
    return item;
  }

  update(item, one, nowT, dateOf) {
    const level = one.active ? one.level : "past";
    attribute(item.node, "class", `alert level-${level}`);
    if (item.level !== one.level) {
      item.mark.replaceChildren(...shapeParts(one.level));
      item.level = one.level;
    }
    const when = one.until_s === null ? `, ${spell(nowT - one.t_s)} ago`
      : ` to ${utcClock(dateOf(one.until_s), true)}`;
    text(item.head, `${TITLE[one.level]}${one.active ? "" : ", past"}: `
      + `${one.condition.replaceAll("-", " ")} · ${utcClock(dateOf(one.t_s), true)} UTC${when}`
      + `${one.times > 1 ? `, said ${one.times} times` : ""}`);
    text(item.body, one.sentence);
    const key = this.key(one.seq);
    text(item.who, [saidWords(one, nowT), trustWords(one.trust), ackWords(one.acked), this.sent.get(key) ?? ""]
      .filter(Boolean).join(" "));
    hide(item.who, item.who.textContent === "");
    const ackable = this.mayAck && one.active && !believed(one) && one.level !== "normal";
    hide(item.button, !ackable);
    attribute(item.button, "aria-label", `Acknowledge ${one.condition.replaceAll("-", " ")}`);
  }

  async press(key, seq) {
    this.sent.set(key, "Sending …");
    try {
      await acknowledge(this.view.aircraft, this.view.flight, seq);
      this.sent.set(key, "Sent; the aircraft has not confirmed yet.");
      setTimeout(() => this.sent.delete(key), 15000);
    } catch (error) {
      this.sent.set(key, `Not sent: ${error.message}.`);
    }
  }
}

// An acknowledgement counts when nothing speaks against its signature.
export const believed = (one) => one.acked.some(([, , trust]) => trust !== "unverified");

// The list keeps what was said as it was said; the banner's figures are the newest.
const saidWords = ({ active, times, said_s: at }, nowT) => (active && times && nowT - at > OLD_S
  ? `Said ${spell(nowT - at)} ago, with the figures of then.` : "");

const trustWords = (trust) => (trust === "unverified"
  ? "Not verified: its signature is missing or wrong." : "");

function ackWords(acked) {
  return acked.map(([by, utc, trust]) => `Acknowledged by ${by}${utc
    ? ` at ${utcClock(Date.parse(utc), true)} UTC` : ""}${trust === "unverified"
    ? " (not verified)" : ""}.`).join(" ");
}

// -- calling -------------------------------------------------------------------------------------

export class Caller {
  constructor() {
    this.heard = new Set();
    this.first = true;
    this.wants = { sound: false, notify: false, speak: false };
    this.lastSound = 0;
  }

  // Every row's unacknowledged advisories; what was there when the page opened is not new.
  watch(rows) {
    const warnings = [];
    for (const row of rows) {
      for (const [seq, condition, level, sentence] of row.unacked) {
        const key = `${row.aircraft}/${row.flight}/${seq}`;
        const isNew = !this.heard.has(key);
        this.heard.add(key);
        if (level === "warning") warnings.push(row.aircraft);
        if (isNew) this.announce(row.aircraft, condition, level, sentence);
      }
    }
    this.first = false;
    if (warnings.length && this.wants.sound && performance.now() - this.lastSound > REPEAT_MS) {
      this.tone("warning");
    }
  }

  announce(aircraft, condition, level, sentence) {
    if (level === "advisory") return;
    const words = `${aircraft}. ${TITLE[level]}. ${sentence}`;
    if (this.wants.sound) this.tone(level);
    if (this.first) return;
    if (level === "warning" || this.wants.speak) text(byId("live"), words);
    if (this.wants.speak) speechSynthesis.speak(new SpeechSynthesisUtterance(words));
    if (this.wants.notify && level === "warning" && Notification.permission === "granted") {
      new Notification(`${aircraft}: ${condition.replaceAll("-", " ")}`,
        { body: sentence, tag: `${aircraft}-${condition}`, requireInteraction: true });
    }
  }

  // Two falling notes for a caution, three rising and repeated for a warning.
  tone(level) {
    this.lastSound = performance.now();
    this.audio ??= new AudioContext();
    const notes = level === "warning" ? [660, 880, 1175] : [740, 587];
    notes.forEach((hz, i) => {
      const at = this.audio.currentTime + i * 0.22;
      const tone = new OscillatorNode(this.audio, { frequency: hz, type: "triangle" });
      const volume = new GainNode(this.audio, { gain: 0 });
      volume.gain.setTargetAtTime(0.4, at, 0.01);
      volume.gain.setTargetAtTime(0, at + 0.16, 0.03);
      tone.connect(volume).connect(this.audio.destination);
      tone.start(at);
      tone.stop(at + 0.4);
    });
  }

  async toggle(name) {
    this.wants[name] = !this.wants[name];
    if (name === "sound" && this.wants.sound) this.tone("caution");
    if (name === "speak" && this.wants.speak) {
      speechSynthesis.speak(new SpeechSynthesisUtterance("Reading cautions and warnings aloud."));
    }
    if (name === "notify" && this.wants.notify) {
      this.wants.notify = await Notification.requestPermission() === "granted";
    }
    return this.wants[name];
  }
}
