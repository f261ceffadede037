// Scanners that type like a keyboard, wherever the focus is, and the camera where the browser reads barcodes.

const GAP_MS = 1000; // between two keys of one scan; by hand one types into the field
const LOOK_MS = 150;
const FORMATS = ["code_128", "data_matrix", "qr_code", "ean_13", "itf"];

// A choice takes no text: a scan while one has the focus is a scan.
const FIELDS = "input:not([type=radio], [type=checkbox]), select, textarea";

function isField(element) { return element?.matches?.(FIELDS) ?? false; }

/** Call `scanned` with what a scanner typed outside of any field. A scan ends with Enter or Tab. */
export function hearKeys(scanned) {
  let text = "";
  let last = 0;
  document.addEventListener("keydown", (event) => {
    if (event.altKey || event.metaKey || event.isComposing) return;
    // FNC1 inside a scan: most scanners type Control and ] for it.
    const isGroup = (event.ctrlKey && event.key === "]") || event.key === "\u001d";
    if (event.ctrlKey && !isGroup) return;
    const field = document.activeElement;
    if (isField(field)) {
      if (isGroup && field.type === "text") {
        event.preventDefault();
        field.setRangeText("\u001d", field.selectionStart, field.selectionEnd, "end");
      }
      text = "";
      return;
    }
    if (event.timeStamp - last > GAP_MS) text = "";
    last = event.timeStamp;
    if (event.key === "Enter" || event.key === "Tab") {
      if (!text) return;
      // Or a button that has the focus would be pressed by the scan's own end.
      event.preventDefault();
      event.stopPropagation();
      const whole = text;
      text = "";
      scanned(whole, event.timeStamp);
    } else if (isGroup) {
      event.preventDefault();
      text += "\u001d";
    } else if (event.key.length === 1 && (text || event.key !== " ")) {
      if (event.key === " ") event.preventDefault();
      text += event.key;
    }
  }, true);
}

export const hasCamera = "BarcodeDetector" in window && Boolean(navigator.mediaDevices?.getUserMedia);

/** Show the camera in the dialog until a code is read or the dialog is closed; return the code or null. */
export async function look(dialog) {
  const picture = dialog.querySelector("video");
  const known = await window.BarcodeDetector.getSupportedFormats();
  const detector = new window.BarcodeDetector({ formats: FORMATS.filter((format) => known.includes(format)) });
  const stream = await navigator.mediaDevices.getUserMedia({ video: { facingMode: "environment" } });
  picture.srcObject = stream;
  dialog.showModal();
  try {
    await picture.play();
    while (dialog.open) {
      const [code] = await detector.detect(picture).catch(() => []);
      if (code) return code.rawValue;
      await new Promise((resolve) => { setTimeout(resolve, LOOK_MS); });
    }
    return null;
  } finally {
    for (const track of stream.getTracks()) track.stop();
    picture.srcObject = null;
    if (dialog.open) dialog.close();
  }
}
