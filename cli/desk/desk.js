// The page says that it is open; scans may be dropped anywhere on their form. Everything works without.
"use strict";
setInterval(() => { fetch("/here").catch(() => {}); }, 20000);
const form = document.querySelector(".drop");
if (form) {
  const files = form.querySelector("input[type=file]");
  const over = (is) => (event) => { event.preventDefault(); form.classList.toggle("over", is); };
  form.addEventListener("dragover", over(true));
  form.addEventListener("dragleave", over(false));
  form.addEventListener("drop", (event) => { over(false)(event); files.files = event.dataTransfer.files; });
}
