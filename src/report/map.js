// The map of residuals: drawn by return, moved, magnified, and asked for the figures of a cell.
(() => {
  const data = JSON.parse(document.getElementById("map-data").textContent);
  const byId = (id) => document.getElementById(id);
  const [map, cells, told, tools, which, marked] =
    ["map", "map-cells", "map-told", "map-tools", "map-return", "map-marked"].map(byId);
  const whole = map.viewBox.baseVal;
  const home = [whole.x, whole.y, whole.width, whole.height];
  let view = [...home];
  // The cell that the keyboard has gone to.
  let cursor = null;
  const places = new Map(data.cells.map((cell) => [cell[0] + " " + cell[1], cell]));

  // n and mean of dz of a cell, of one return or of all; of a list of points, 0 stands for all.
  const figures = (cell, number) => {
    const all = cell.slice(2);
    const together = all.some((one) => one[0] === 0);
    const own = all.filter((one) => (number ? one[0] === number : !together || one[0] === 0));
    const n = own.reduce((sum, one) => sum + one[1], 0);
    return n && [n, own.reduce((sum, one) => sum + one[1] * one[2], 0) / n];
  };
  const number = (value, decimals) => {
    const text = Math.abs(value).toFixed(decimals);
    return (Number(text) === 0 ? "" : value < 0 ? "\u2212" : "+") + text;
  };
  const draw = () => {
    const paths = Array.from({ length: 2 * data.classes + 1 }, () => "");
    for (const cell of data.cells) {
      const found = figures(cell, Number(which.value));
      if (!found) continue;
      const steps = Math.max(-data.classes, Math.min(data.classes, Math.round(found[1] / data.step)));
      paths[steps + data.classes] += `M${cell[0]} ${cell[1]}h1v1h-1z`;
    }
    cells.replaceChildren(
      ...paths.map((path, i) => {
        const shape = document.createElementNS("http://www.w3.org/2000/svg", "path");
        shape.setAttribute("class", "dz" + i);
        shape.setAttribute("d", path);
        return shape;
      }),
    );
  };
  const show = () => {
    map.setAttribute("viewBox", view.join(" "));
    // A round length of at most a third of what is seen.
    const width = view[2] * data.cell;
    const power = 10 ** Math.floor(Math.log10(width / 3));
    const long = [5, 2, 1].map((digit) => digit * power).find((one) => one <= width / 3 + 1e-9) || power;
    byId("map-bar").style.width = (100 * long) / width + "%";
    byId("map-bar-length").textContent = `${Number(long.toPrecision(3)).toLocaleString("en-GB")} ${data.horizontal}`;
  };
  const keep = () => {
    for (const axis of [0, 1]) {
      const most = home[axis] + home[axis + 2] - view[axis + 2];
      view[axis] = Math.max(home[axis], Math.min(most, view[axis]));
    }
    show();
  };
  const magnify = (times, at = [view[0] + view[2] / 2, view[1] + view[3] / 2]) => {
    const width = Math.max(Math.min(4, home[2]), Math.min(home[2], view[2] / times));
    const share = width / view[2];
    view = [at[0] - (at[0] - view[0]) * share, at[1] - (at[1] - view[1]) * share, width, view[3] * share];
    keep();
  };
  const move = (east, south) => {
    view[0] += east * view[2];
    view[1] += south * view[3];
    keep();
  };
  const reset = () => {
    view = [...home];
    show();
  };
  const choose = (value) => {
    if (![...which.options].some((option) => option.value === value)) return;
    which.value = value;
    draw();
  };
  const place = (event) => {
    const point = new DOMPoint(event.clientX, event.clientY).matrixTransform(map.getScreenCTM().inverse());
    return [point.x, point.y];
  };
  const tell = (x, y) => {
    const cell = places.get(x + " " + y);
    const at = (value) => value.toLocaleString("en-GB", { maximumFractionDigits: 1 });
    const where = `E ${at(data.west + (x + 0.5) * data.cell)}, N ${at(data.north - (y + 0.5) * data.cell)} ${data.horizontal}`;
    if (!cell) {
      told.textContent = `${where}: no comparison`;
      return;
    }
    const line = (name, found) => `${name} ${number(found[1], data.decimals)} ${data.unit} (n ${found[0]})`;
    const own = cell.slice(2).filter((one) => one[0] > 0);
    const lines = own.length > 1 ? own.map((one) => line("return " + one[0], [one[1], one[2]])) : [];
    told.textContent = `${where}: ${[line("all", figures(cell, 0)), ...lines].join(", ")}`;
  };
  // From cell to cell, and the map after it.
  const step = (east, south) => {
    cursor = cursor
      ? [cursor[0] + east, cursor[1] + south]
      : [Math.floor(view[0] + view[2] / 2), Math.floor(view[1] + view[3] / 2)];
    for (const axis of [0, 1]) {
      cursor[axis] = Math.max(home[axis], Math.min(home[axis] + home[axis + 2] - 1, cursor[axis]));
      view[axis] = Math.max(cursor[axis] + 1 - view[axis + 2], Math.min(cursor[axis], view[axis]));
    }
    marked.setAttribute("x", cursor[0]);
    marked.setAttribute("y", cursor[1]);
    marked.setAttribute("visibility", "visible");
    keep();
    tell(...cursor);
  };

  tools.hidden = byId("map-keys").hidden = false;
  which.addEventListener("change", draw);
  let held = null;
  map.addEventListener("pointermove", (event) => {
    if (event.buttons & 1 && held) {
      const scale = view[2] / map.getBoundingClientRect().width;
      view[0] -= (event.clientX - held[0]) * scale;
      view[1] -= (event.clientY - held[1]) * scale;
      held = [event.clientX, event.clientY];
      keep();
    }
    tell(...place(event).map(Math.floor));
  });
  map.addEventListener("pointerdown", (event) => {
    held = [event.clientX, event.clientY];
    map.setPointerCapture(event.pointerId);
    tell(...place(event).map(Math.floor));
  });
  map.addEventListener("pointerup", () => (held = null));
  map.addEventListener("wheel", (event) => {
    // Without a key the page scrolls.
    if (!event.ctrlKey && document.activeElement !== map) return;
    event.preventDefault();
    magnify(event.deltaY < 0 ? 1.25 : 0.8, place(event));
  }, { passive: false });
  const arrows = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
  const steps = {
    "+": () => magnify(1.5), "=": () => magnify(1.5), "-": () => magnify(1 / 1.5), Home: reset, a: () => choose("0"),
  };
  map.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const arrow = arrows[event.key];
    if (arrow) event.shiftKey ? step(...arrow) : move(0.2 * arrow[0], 0.2 * arrow[1]);
    else if (/^[1-9]$/.test(event.key)) choose(event.key);
    else if (steps[event.key]) steps[event.key]();
    else return;
    event.preventDefault();
  });
  for (const button of tools.querySelectorAll("button")) button.addEventListener("click", steps[button.value]);
  for (const layer of tools.querySelectorAll("input")) {
    const turn = () => byId(layer.value).classList.toggle("off", !layer.checked);
    layer.addEventListener("change", turn);
    turn();
  }
})();
