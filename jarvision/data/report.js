(function () {
  "use strict";
  var table = document.querySelector("table.sortable");
  if (!table) { return; }
  var body = table.tBodies[0];
  var heads = Array.prototype.slice.call(table.querySelectorAll("th[data-sort]"));
  function rank(row, column) { return Number(row.cells[column].getAttribute("data-rank")); }
  function sortBy(head) {
    var sign = head.getAttribute("aria-sort") === "ascending" ? -1 : 1;
    var rows = Array.prototype.slice.call(body.rows);
    rows.sort(function (a, b) {
      return sign * (rank(a, head.cellIndex) - rank(b, head.cellIndex));
    });
    rows.forEach(function (row) { body.appendChild(row); });
    heads.forEach(function (other) { other.removeAttribute("aria-sort"); });
    head.setAttribute("aria-sort", sign > 0 ? "ascending" : "descending");
  }
  heads.forEach(function (head) {
    var button = document.createElement("button");
    var printed = document.createElement("span");
    button.type = "button";
    button.textContent = printed.textContent = head.textContent;
    printed.className = "print";
    head.textContent = "";
    head.appendChild(button);
    head.appendChild(printed);
    button.addEventListener("click", function () { sortBy(head); });
  });
  table.classList.add("scripted");
})();
