/* Labels by camera, and a scanner's keystrokes that always reach the field. Without it one types. */
"use strict";

(() => {
  const FORMATS = ["qr_code", "code_128", "ean_13"];
  const BETWEEN_LOOKS_MS = 150;
  const LARGEST_SIDE = 800;
  const dialog = () => document.getElementById("scan-camera");
  const field = () => document.querySelector("[data-scan]");

  const say = (text) => {
    for (const words of document.querySelectorAll("[data-scan-words]")) words.textContent = text;
  };

  /* ---- keyboard wedge: it types wherever the focus is, so a stray tap must not swallow a label */

  document.addEventListener("keydown", (event) => {
    if (event.key.length !== 1 || event.key === " " || event.ctrlKey || event.metaKey || event.altKey) return;
    if (dialog()?.open || event.target.closest?.("input, select, textarea, [contenteditable]")) return;
    field()?.focus();
  });

  /* A glove feels what the eye, on the bin, does not see. */
  document.addEventListener("htmx:afterSettle", (event) => {
    if (event.detail.elt?.id !== "list" || !navigator.vibrate || !navigator.userActivation?.hasBeenActive) return;
    const wrong = event.detail.elt.querySelector(".field-error, .fault");
    navigator.vibrate(wrong ? [150, 80, 150] : 60);
  });

  /* ---- camera */

  const offered = () => {
    const able = Boolean(navigator.mediaDevices?.getUserMedia) && Boolean(dialog()?.showModal);
    for (const button of document.querySelectorAll("[data-scan-open]")) button.hidden = !able;
    if (!able && field()) say("This browser lends no camera here; it takes https. Type the number, or use a scanner.");
  };

  const loaded = (address) => new Promise((resolve, reject) => {
    if (window.jsQR) { resolve(); return; }
    const script = document.createElement("script");
    script.src = address;
    script.onload = resolve;
    script.onerror = () => reject(new Error("reader"));
    document.head.append(script);
  });

  const ownReader = async () => {
    if (!("BarcodeDetector" in window)) return null;
    try {
      const known = await window.BarcodeDetector.getSupportedFormats();
      const formats = FORMATS.filter((one) => known.includes(one));
      if (!formats.includes("qr_code")) return null;
      const detector = new window.BarcodeDetector({ formats });
      return async (video) => (await detector.detect(video))[0]?.rawValue ?? "";
    } catch {
      return null;
    }
  };

  const carriedReader = async (box) => {
    await loaded(box.dataset.reader);
    const canvas = document.createElement("canvas");
    const context = canvas.getContext("2d", { willReadFrequently: true });
    return async (video) => {
      const scale = Math.min(1, LARGEST_SIDE / Math.max(video.videoWidth, video.videoHeight));
      canvas.width = Math.round(video.videoWidth * scale);
      canvas.height = Math.round(video.videoHeight * scale);
      context.drawImage(video, 0, 0, canvas.width, canvas.height);
      const frame = context.getImageData(0, 0, canvas.width, canvas.height);
      return window.jsQR(frame.data, frame.width, frame.height)?.data ?? "";
    };
  };

  const reasons = {
    NotAllowedError: "The camera was refused. Allow it in the browser's settings for this site, or type the number.",
    NotFoundError: "This device has no camera. Type the number, or use a scanner.",
    NotReadableError: "Another program holds the camera. Close that one, or type the number.",
  };

  const taken = (text) => {
    const into = field();
    if (!into) return;
    into.value = text;
    into.form.requestSubmit();
  };

  const look = async (box) => {
    const video = box.querySelector("video");
    let stream = null;
    const stop = () => {
      for (const track of stream?.getTracks() ?? []) track.stop();
      video.srcObject = null;
    };
    box.showModal();
    box.addEventListener("close", () => { stop(); field()?.focus(); }, { once: true });
    try {
      stream = await navigator.mediaDevices.getUserMedia({ audio: false, video: { facingMode: { ideal: "environment" } } });
      if (!box.open) { stop(); return; }
      video.srcObject = stream;
      await video.play();
      let read = await ownReader();
      read ??= await carriedReader(box);
      while (box.open) {
        const text = video.videoWidth ? (await read(video)).trim() : "";
        if (text && box.open) {
          box.close();
          taken(text);
          return;
        }
        await new Promise((resolve) => { setTimeout(resolve, BETWEEN_LOOKS_MS); });
      }
    } catch (error) {
      if (!box.open && error.name === "AbortError") return;
      if (box.open) box.close();
      say(reasons[error.name] ?? "The camera could not be used. Type the number, or use a scanner.");
    }
  };

  document.addEventListener("click", (event) => {
    if (!event.target.closest("[data-scan-open]")) return;
    say("");
    look(dialog());
  });

  document.addEventListener("DOMContentLoaded", offered);
  document.addEventListener("htmx:afterSettle", offered);
})();
