// Runs before anything is drawn, so that a chosen scheme does not flash. It is
// no module, for a module would wait: everything stays inside the block.
export {};
{
  const root = document.documentElement;
  try {
    const scheme = localStorage.getItem("throwline.scheme");
    if (scheme === "light" || scheme === "dark") root.dataset.scheme = scheme;
    if (new URLSearchParams(location.search).has("wall")) sessionStorage.setItem("throwline.wall", "1");
    if (sessionStorage.getItem("throwline.wall") === "1") root.dataset.wall = "";
  } catch {
    // No storage here: the system's scheme holds.
  }
}
