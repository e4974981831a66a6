/* A printer gets the charts as drawn: each one copied onto a plain canvas that scales
   to the paper, because a chart laid out for the screen does not fit the page. */
"use strict";
(function () {
  function canvases(root, found) {
    for (const node of root.querySelectorAll("*")) {
      if (node.tagName === "CANVAS") found.push(node);
      if (node.shadowRoot) canvases(node.shadowRoot, found);
    }
    return found;
  }
  function copy() {
    remove();
    for (const box of document.querySelectorAll(".chart")) {
      const drawn = canvases(box, []);
      if (!drawn.length) continue;
      const sheet = document.createElement("canvas");
      sheet.className = "printed";
      sheet.width = Math.max(...drawn.map((c) => c.width));
      sheet.height = Math.max(...drawn.map((c) => c.height));
      const pen = sheet.getContext("2d");
      for (const c of drawn) if (c.width && c.height) pen.drawImage(c, 0, 0);
      box.after(sheet);
    }
    document.documentElement.classList.add("printing");
  }
  function remove() {
    for (const sheet of document.querySelectorAll("canvas.printed")) sheet.remove();
    document.documentElement.classList.remove("printing");
  }
  window.addEventListener("beforeprint", copy);
  window.addEventListener("afterprint", remove);
})();
