(function () {
  "use strict";
  var table = document.getElementById("sweep-table");
  if (!table) { return; }
  var body = table.tBodies[0];
  var rows = Array.prototype.slice.call(body.rows);
  var find = document.getElementById("sweep-find");
  var show = document.getElementById("sweep-show");
  var status = document.getElementById("sweep-status");
  document.getElementById("sweep-tools").hidden = false;

  function filter() {
    var word = find.value.trim().toLowerCase();
    var state = show.value;
    var seen = 0;
    rows.forEach(function (row) {
      var fits = (!word || row.textContent.toLowerCase().indexOf(word) >= 0) &&
        (!state || row.dataset.state.split(" ").indexOf(state) >= 0);
      row.hidden = !fits;
      if (fits) { seen += 1; }
    });
    table.dispatchEvent(new Event("rows-moved"));
    status.textContent = seen + " of " + rows.length + " shown";
  }
  find.addEventListener("input", filter);
  show.addEventListener("change", filter);

  function key(row, column) { return row.cells[column].textContent; }
  Array.prototype.forEach.call(table.tHead.rows[0].cells, function (cell, column) {
    var button = document.createElement("button");
    button.type = "button";
    button.textContent = cell.textContent;
    cell.dataset.name = cell.textContent; // on paper: browsers do not repeat buttons on every page
    cell.textContent = "";
    cell.appendChild(button);
    button.addEventListener("click", function () {
      var down = cell.getAttribute("aria-sort") === "ascending";
      Array.prototype.forEach.call(table.tHead.rows[0].cells, function (other) { other.removeAttribute("aria-sort"); });
      cell.setAttribute("aria-sort", down ? "descending" : "ascending");
      var numeric = cell.classList.contains("number");
      rows.sort(function (a, b) {
        var x = key(a, column), y = key(b, column);
        var order;
        if (numeric) {
          var p = parseFloat(x), q = parseFloat(y);
          if (isNaN(p) || isNaN(q)) { return (isNaN(p) ? 1 : 0) - (isNaN(q) ? 1 : 0); }
          order = p - q;
        } else {
          order = x.localeCompare(y, undefined, { numeric: true });
        }
        return down ? -order : order;
      });
      table.dispatchEvent(new Event("rows-moved"));
      rows.forEach(function (row) { body.appendChild(row); });
    });
  });
  filter();
}());
