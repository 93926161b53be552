// Beeps and, if wanted, says the next site when a caliper value lands or is asked about. Both are off until asked
// for, and the choice stays on this device. Sounds are made here; only voices that live on this device are used.
"use strict";

(() => {
  const sheet = document.querySelector('[data-slot-on="sheet"]');
  if (!sheet) return;
  const words = JSON.parse(document.getElementById("words").textContent);
  const said = sheet.querySelector('[data-slot="sheet.said"]');
  const switches = [...sheet.querySelectorAll("button[data-switch]")];
  const VOLUME = 0.25;
  const FADE_S = 0.012; // a tone that begins at once clicks
  // Hz and s, one after another: our own choice of pitches, told apart by number and direction, not by pitch alone
  const TONES = {
    next: [[880, 0.09]],
    asks: [[330, 0.18], [0, 0.07], [330, 0.18]],
    done: [[660, 0.1], [0, 0.04], [880, 0.1], [0, 0.04], [1175, 0.2]],
  };
  const on = { beep: false, voice: false };
  let audio = null;
  let event = sheet.dataset.event;

  function show(button) {
    const name = button.dataset.switch;
    button.setAttribute("aria-pressed", String(on[name]));
    button.querySelector(".state").textContent = on[name] ? words.on : words.off;
  }

  function keep() {
    const kept = Object.keys(on).filter((name) => on[name]);
    document.cookie = `sound=${kept.join("+")}; path=/; max-age=31536000; samesite=strict`;
  }

  // A browser lets a page sound only after a touch; the switch is one, and after a reload any touch will do.
  function wake() {
    if (!on.beep) return;
    audio ||= new AudioContext();
    if (audio.state === "suspended") audio.resume();
  }

  function beep(mood) {
    if (!on.beep || !audio || audio.state !== "running") return;
    let at = audio.currentTime;
    for (const [hertz, seconds] of TONES[mood] || TONES.next) {
      if (hertz) {
        const tone = new OscillatorNode(audio, { frequency: hertz });
        const gain = new GainNode(audio, { gain: 0 });
        gain.gain.setValueAtTime(0, at);
        gain.gain.linearRampToValueAtTime(VOLUME, at + FADE_S);
        gain.gain.setValueAtTime(VOLUME, at + seconds - FADE_S);
        gain.gain.linearRampToValueAtTime(0, at + seconds);
        tone.connect(gain).connect(audio.destination);
        tone.start(at);
        tone.stop(at + seconds);
      }
      at += seconds;
    }
    sheet.dataset.beeped = mood;
  }

  // A voice of another machine would be sent what it says: only those of this device speak.
  const ownVoice = () =>
    window.speechSynthesis?.getVoices().find((one) => one.localService && one.lang.startsWith(document.documentElement.lang));

  function say(text) {
    const voice = on.voice && ownVoice();
    if (!voice) return;
    window.speechSynthesis.cancel();
    const spoken = new SpeechSynthesisUtterance(text);
    spoken.voice = voice;
    spoken.lang = voice.lang;
    window.speechSynthesis.speak(spoken);
  }

  for (const button of switches) {
    const name = button.dataset.switch;
    on[name] = new RegExp(`(?:^|; )sound=[a-z+]*${name}`).test(document.cookie);
    show(button);
    button.addEventListener("click", () => {
      on[name] = !on[name];
      show(button);
      keep();
      if (on[name] && name === "voice" && !ownVoice()) button.querySelector(".state").textContent = words.voice_none;
      wake();
      beep("next");
      say(said.textContent);
    });
  }
  document.addEventListener("pointerdown", wake);
  window.speechSynthesis?.addEventListener?.("voiceschanged", () => switches.forEach(show));

  // An observer is told once the whole message is in its places, so the words are the new ones.
  new MutationObserver(() => {
    if (sheet.dataset.event === event) return;
    event = sheet.dataset.event;
    beep(sheet.dataset.mood);
    say(said.textContent);
  }).observe(sheet, { attributes: true, attributeFilter: ["data-event"] });
})();
