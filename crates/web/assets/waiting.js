// Says what this phone has not sent yet, and sends it.
import { Outbox } from "./outbox.js";
import { make } from "./phone_form.js";

const place = document.getElementById("waiting");
const outbox = await Outbox.open(Number(place.dataset.farm), null, show, show);

function show() {
  const forms = outbox.all().filter((entry) => entry.is === "form");
  const others = outbox.all().length + outbox.unreadable().length - forms.length;
  place.hidden = others + forms.length === 0;
  const entries = place.querySelector("#waiting-entries");
  entries.hidden = others === 0;
  entries.querySelector("span").textContent = `${others} ${others === 1 ? "entry" : "entries"} kept on this phone until the farm has answered.`;
  place.querySelector("ul").replaceChildren(...forms.map((entry) => {
    const item = make("li", "");
    item.append(make("a", entry.typed.words, { href: entry.typed.page }), `. ${entry.refused ? `Not saved: ${entry.refused}` : "Not sent yet."}`);
    return item;
  }));
}
show();
outbox.send(false);
window.addEventListener("online", () => outbox.send(false));
