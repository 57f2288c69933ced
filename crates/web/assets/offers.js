// What the page knows is filled in at a touch, beside the field that it is for. Touched again it is taken out.
for (const button of document.querySelectorAll("button[data-fills]")) {
  const field = button.form.elements[button.dataset.fills];
  const show = () => button.setAttribute("aria-pressed", String(field.value === button.dataset.value));
  button.addEventListener("click", () => {
    field.value = field.value === button.dataset.value ? "" : button.dataset.value;
    show();
  });
  field.addEventListener("input", show);
  show();
  button.hidden = false;
}
