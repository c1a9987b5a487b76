// One print over another: a divider dragged by hand or moved by keys, a switch between the two, and, if asked for,
// a slow alternation. Pictures are copies of those further down the page.
{
  const CHANGE_EVERY_MS = 1500;
  const viewer = document.getElementById("over-viewer");
  const stage = document.getElementById("over-stage");
  const divider = document.getElementById("over-divider");
  const layers = [document.getElementById("over-left"), document.getElementById("over-right")];
  const ring = document.getElementById("over-ring");
  const sides = [document.getElementById("over-a"), document.getElementById("over-b")];
  const modes = [...viewer.querySelectorAll("input[name=over-mode]")];
  const auto = document.getElementById("over-auto");
  const still = matchMedia("(prefers-reduced-motion: reduce)");
  let share = 50, timer = 0;

  const label = (at) => sides[at].selectedOptions[0].textContent;
  const mode = () => modes.find((one) => one.checked).value;

  function picture(at) {
    const source = document.getElementById(`${ring.value}-${sides[at].value}-crop`);
    const copy = source.cloneNode(true);
    for (const one of [copy, ...copy.querySelectorAll("[id]")]) one.removeAttribute("id");
    for (const mark of copy.querySelectorAll(".marks")) mark.remove();
    copy.removeAttribute("aria-labelledby");
    copy.setAttribute("aria-label", `${ring.selectedOptions[0].textContent}, ${label(at)}`);
    return copy;
  }

  function fill() {
    layers.forEach((layer, at) => layer.replaceChildren(picture(at)));
    document.getElementById("over-name-left").textContent = label(0);
    document.getElementById("over-name-right").textContent = label(1);
    draw();
  }

  function draw() {
    const now = { divider: share, left: 100, right: 0 }[mode()];
    layers[1].style.clipPath = `inset(0 0 0 ${now}%)`;
    divider.style.left = `${now}%`;
    divider.hidden = mode() !== "divider";
    divider.setAttribute("aria-valuenow", Math.round(share));
    divider.setAttribute("aria-valuetext", `${Math.round(share)} % ${label(0)}, the rest ${label(1)}`);
    document.getElementById("over-name-left").classList.toggle("off", now <= 0);
    document.getElementById("over-name-right").classList.toggle("off", now >= 100);
  }

  function show(which) {
    modes.find((one) => one.value === which).checked = true;
    draw();
  }

  function move(to) {
    share = Math.min(100, Math.max(0, to));
    draw();
  }

  const swap = () => show(mode() === "left" ? "right" : "left");

  function stop() {
    clearInterval(timer);
    timer = 0;
    auto.checked = false;
  }

  function fit() {
    // whoever wants less motion is not offered any
    document.getElementById("over-auto-line").hidden = still.matches;
    if (still.matches) stop();
  }

  stage.addEventListener("pointerdown", (event) => {
    if (mode() !== "divider") return;
    stage.setPointerCapture(event.pointerId);
    divider.focus({ preventScroll: true });
    const follow = (moved) => {
      const box = stage.getBoundingClientRect();
      move((100 * (moved.clientX - box.left)) / box.width);
    };
    follow(event);
    stage.addEventListener("pointermove", follow);
    const release = () => stage.removeEventListener("pointermove", follow);
    stage.addEventListener("pointerup", release, { once: true });
    stage.addEventListener("pointercancel", release, { once: true });
    event.preventDefault();
  });
  divider.addEventListener("keydown", (event) => {
    const to = {
      ArrowLeft: share - 2, ArrowDown: share - 2, ArrowRight: share + 2, ArrowUp: share + 2,
      PageDown: share - 10, PageUp: share + 10, Home: 0, End: 100,
    }[event.key];
    if (to === undefined) return;
    move(to);
    event.preventDefault();
  });
  for (const one of [ring, ...sides]) one.addEventListener("change", fill);
  for (const one of modes) one.addEventListener("change", () => { stop(); draw(); });
  document.getElementById("over-switch").addEventListener("click", () => { stop(); swap(); });
  auto.addEventListener("change", () => {
    clearInterval(timer);
    timer = 0;
    if (auto.checked && !still.matches) timer = setInterval(swap, CHANGE_EVERY_MS);
  });
  addEventListener("keydown", (event) => { if (event.key === "Escape") stop(); });
  document.addEventListener("visibilitychange", () => { if (document.hidden) stop(); });
  still.addEventListener("change", fit);
  for (const link of document.querySelectorAll("a[data-over]")) {
    link.hidden = false;
    link.addEventListener("click", () => { ring.value = link.dataset.over; fill(); });
  }
  viewer.hidden = false;
  fit();
  fill();
}
