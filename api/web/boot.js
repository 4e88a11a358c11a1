// Runs before the first paint: the colours that were chosen, the words that will
// be needed, and the live link, which need not wait for the rest of the page.
(() => {
  const root = document.documentElement;
  const kept = (name) => {
    try {
      return localStorage.getItem(name);
    } catch {
      return null; // a browser that keeps nothing: the defaults serve
    }
  };
  const day = kept("theme") === "day";
  root.dataset.theme = day ? "day" : "night";
  // The day's colours are fetched by who wants them.
  globalThis.dayColours = () => {
    if (document.querySelector('link[href="/day.css"]')) return;
    const sheet = document.createElement("link");
    sheet.rel = "stylesheet";
    sheet.href = "/day.css";
    sheet.setAttribute("blocking", "render");
    document.head.append(sheet);
  };
  if (day) {
    globalThis.dayColours();
    document.querySelector('meta[name="color-scheme"]').content = "light";
    document.querySelector('meta[name="theme-color"]').content = "#ffffff";
  }
  root.style.setProperty("--veil", String(Math.min(Math.max(Number(kept("dim")) || 0, 0), 90) / 100));
  root.style.setProperty("--size", String(Math.min(Math.max(Number(kept("size")) || 100, 100), 160) / 100));
  const lang = kept("lang") ?? (navigator.language ?? "en").slice(0, 2);
  root.lang = lang === "de" ? "de" : "en";
  for (const file of root.lang === "de" ? ["/strings.de.js", "/board.de.js"] : ["/strings.en.js"]) {
    const ahead = document.createElement("link");
    ahead.rel = "modulepreload";
    ahead.href = file;
    document.head.append(ahead);
  }
  const source = new EventSource("/api/v1/guidance/stream?events=new");
  globalThis.early = { source, last: null, happened: [] };
  source.addEventListener("happened", (e) => globalThis.early?.happened.push(e));
  source.onmessage = (e) => {
    globalThis.early.last = e;
    globalThis.early.at = Date.now();
  };
})();
