// --- printing and saving

function button(text, act) {
  const made = element("button", { type: "button", textContent: text });
  made.addEventListener("click", act);
  return made;
}
const job = JSON.parse(document.getElementById("results").textContent);
const buttons = element("div", { className: "do" }, button("Print the report", () => window.print()), button("Print the field sheet", () => {
  document.body.classList.add("only-sheet");
  window.print();
  document.body.classList.remove("only-sheet");
}));
if (job.fit) buttons.append(button("Save the results", () => {
  const link = element("a", { href: URL.createObjectURL(new Blob([document.getElementById("results").textContent], { type: "application/json" })), download: "results.json" });
  link.click();
  URL.revokeObjectURL(link.href);
}));
document.querySelector("nav").append(buttons);
