// Reads a code with the phone's camera, where the browser has a code reader and gives pages of this address a camera. The field does the same.
const scan = document.querySelector(".scan");
const button = scan.querySelector("button");
const said = document.querySelector(".camera");
const field = document.querySelector("input[name=q]");

// A camera that is pointed at nothing is given back after so long.
const GIVE_UP_MS = 30_000;
const LOOK_EVERY_MS = 150;

/** Looks through the camera until a code is seen; null where none was. */
async function read(video) {
  const reader = new BarcodeDetector();
  const until = performance.now() + GIVE_UP_MS;
  while (performance.now() < until) {
    const [code] = await reader.detect(video);
    if (code) return code.rawValue;
    await new Promise((resolve) => setTimeout(resolve, LOOK_EVERY_MS));
  }
  return null;
}

async function look() {
  const video = document.createElement("video");
  let stream;
  button.disabled = true;
  try {
    stream = await navigator.mediaDevices.getUserMedia({ video: { facingMode: "environment" } });
    video.srcObject = stream;
    video.playsInline = true;
    video.muted = true;
    scan.append(video);
    await video.play();
    said.textContent = "Hold the code in front of the camera.";
    const code = await read(video);
    if (code === null) {
      said.textContent = "No code was seen. Try again, or type it.";
      return;
    }
    field.value = code.slice(0, field.maxLength);
    field.form.submit();
  } catch (error) {
    said.textContent = error.name === "NotAllowedError"
      ? "The camera is not allowed. Allow it in the browser's settings, or type the code."
      : "The camera could not be used. Type the code instead.";
  } finally {
    stream?.getTracks().forEach((track) => track.stop());
    video.remove();
    button.disabled = false;
  }
}

if (navigator.mediaDevices && "BarcodeDetector" in window) {
  scan.hidden = false;
  button.addEventListener("click", look);
}
