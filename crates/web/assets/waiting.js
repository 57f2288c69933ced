// Today says what this phone has not sent yet.
import { Outbox } from "./outbox.js";

const line = document.getElementById("waiting");
const held = new Outbox(line.dataset.farm, () => {}).all().length;
line.hidden = held === 0;
line.querySelector("span").textContent = `${held} ${held === 1 ? "entry" : "entries"} of the scale kept on this phone until the farm has answered.`;
