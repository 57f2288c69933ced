// Today says what this phone has not sent yet, and sends it.
import { Outbox } from "./outbox.js";

const line = document.getElementById("waiting");
const outbox = await Outbox.open(Number(line.dataset.farm), null, show, show);

function show() {
  const held = outbox.all().length + outbox.unreadable().length;
  line.hidden = held === 0;
  line.querySelector("span").textContent = `${held} ${held === 1 ? "entry" : "entries"} kept on this phone until the farm has answered.`;
}
show();
outbox.send(false);
window.addEventListener("online", () => outbox.send(false));
