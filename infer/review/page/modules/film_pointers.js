import { followPointers } from "./gestures.js";
import { adjusted } from "./grey_window.js";
import { pointAt } from "./overlay.js";

/**
 * What pointers do to the film of a foot and to its points.
 *
 * @param {import("./point_tools.js").PointTools} tools
 * @param {import("./foot_picture.js").FootPicture} picture
 * @param {{dragWindow: boolean}} bar whether dragging sets grey values
 * @param {(window: import("./grey_window.js").GreyWindow) => void} setWindow
 */
export function pointersOnFilm(tools, picture, bar, setWindow) {
  const { stage } = tools;
  followPointers(stage.element, {
    view: stage.view,
    pointAt: (at, reach) => (picture.hidden ? null : pointAt(stage.view, picture.points, at, reach, tools.selected)),
    mayDrag: () => tools.free && !tools.placing.guided,
    windowTool: () => bar.dragWindow,
    grab: (code) => {
      tools.stop();
      tools.select(code);
      stage.element.classList.add("dragging");
    },
    drag: (dx, dy) => tools.drag(dx, dy),
    drop: () => {
      stage.element.classList.remove("dragging");
      tools.drop();
    },
    click: (at, code) => {
      if (tools.placing.active && tools.free) tools.placeAt(stage.view.toFilm(at));
      else if (code) tools.select(code);
    },
    doubleClick: (at) => {
      if (!tools.placing.active) stage.view.centreOn(stage.view.toFilm(at));
    },
    hover: (at) => {
      const lens = tools.placing.active && at ? stage.view.toFilm(at) : null;
      if (lens === null && stage.magnified === null) return;
      stage.magnified = lens;
      stage.draw();
    },
    window: (dx, dy) => setWindow(adjusted(stage.window, -dy / 300, dx / 300)),
  });
}
