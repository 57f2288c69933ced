// A name is signed with a finger: strokes of points in a box of 600 by 200, sent as JSON. Without a script the name that is typed does.
const INK = 4;
const NEAR = 3;
// No more than the service takes.
const MAX_STROKES = 100;
const MAX_POINTS = 3000;

for (const box of document.querySelectorAll("fieldset.drawing")) {
  const canvas = box.querySelector("canvas");
  const field = box.querySelector("input");
  const pen = canvas.getContext("2d");
  let strokes = [];
  try {
    strokes = JSON.parse(field.value || "[]");
  } catch {
    field.value = "";
  }
  const draw = () => {
    pen.clearRect(0, 0, canvas.width, canvas.height);
    pen.lineWidth = INK;
    pen.lineCap = pen.lineJoin = "round";
    for (const stroke of strokes) {
      pen.beginPath();
      pen.moveTo(...stroke[0]);
      for (const point of stroke) pen.lineTo(...point);
      pen.stroke();
    }
  };
  const keep = () => { field.value = strokes.length ? JSON.stringify(strokes) : ""; };
  const points = () => strokes.reduce((sum, stroke) => sum + stroke.length, 0);
  const inside = (most, at) => Math.max(0, Math.min(most, Math.round(at)));
  const pointOf = (event) => {
    const on = canvas.getBoundingClientRect();
    return [
      inside(canvas.width, ((event.clientX - on.left) * canvas.width) / on.width),
      inside(canvas.height, ((event.clientY - on.top) * canvas.height) / on.height),
    ];
  };
  let drawing = null;
  canvas.addEventListener("pointerdown", (event) => {
    if (drawing !== null || strokes.length >= MAX_STROKES || points() >= MAX_POINTS) return;
    drawing = event.pointerId;
    canvas.setPointerCapture(event.pointerId);
    strokes.push([pointOf(event)]);
    draw();
  });
  canvas.addEventListener("pointermove", (event) => {
    if (event.pointerId !== drawing || points() >= MAX_POINTS) return;
    const stroke = strokes.at(-1);
    const [x, y] = pointOf(event);
    const [lastX, lastY] = stroke.at(-1);
    // What is nearer than the ink is wide draws nothing new.
    if (Math.hypot(x - lastX, y - lastY) < NEAR) return;
    stroke.push([x, y]);
    draw();
  });
  const end = (event) => {
    if (event.pointerId !== drawing) return;
    drawing = null;
    keep();
  };
  canvas.addEventListener("pointerup", end);
  canvas.addEventListener("pointercancel", end);
  // Filled in again with what was signed before.
  field.addEventListener("change", () => { try { strokes = JSON.parse(field.value || "[]"); } catch { strokes = []; } draw(); });
  box.querySelector("button").addEventListener("click", () => { strokes = []; keep(); draw(); });
  draw();
  box.hidden = false;
}
