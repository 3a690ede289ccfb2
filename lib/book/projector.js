// The projector view: larger letters, code out of the way. Kept from page to page where the browser allows it.
const root = document.documentElement;
const remember = (on) => {
  try {
    localStorage.setItem("projector", on ? "1" : "");
  } catch {
    // a browser that forgets: the view holds for this page
  }
};
const remembered = () => {
  try {
    return localStorage.getItem("projector") === "1";
  } catch {
    return false;
  }
};
const project = (on) => {
  root.classList.toggle("projector", on);
  remember(on);
};
project(remembered());
document.getElementById("projector").onclick = () => project(!root.classList.contains("projector"));
addEventListener("keydown", (event) => {
  if (event.key === "p" && !event.ctrlKey && !event.metaKey && !event.altKey) {
    project(!root.classList.contains("projector"));
  }
});
