// What the page knows is filled in at a touch, beside the field that it is for. Touched again, what was typed before is there again.
const weight = (text) => (text.trim() === "" ? null : Number(text.replace(",", ".")));

for (const button of document.querySelectorAll("button[data-fills]")) {
  const field = button.form.elements[button.dataset.fills];
  const offered = button.dataset.value;
  let typed = "";
  const isTaken = () => weight(field.value) === weight(offered);
  const show = () => button.setAttribute("aria-pressed", String(isTaken()));
  button.addEventListener("click", () => {
    if (isTaken()) field.value = weight(typed) === weight(offered) ? "" : typed;
    else [typed, field.value] = [field.value, offered];
    show();
  });
  field.addEventListener("input", () => { typed = field.value; show(); });
  show();
  button.hidden = false;
}
