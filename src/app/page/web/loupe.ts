// What lies under the finger, larger and beside it.
import type {Point} from "./api";
import {h} from "./dom";

const kSize_css = 148;

export class Loupe {
  readonly element = h("canvas", {class: "loupe", hidden: true, "aria-hidden": "true"});

  show(image: HTMLImageElement, size: Point, at: Point, scale: number, px: number[],
       left: boolean): void {
    const dots = Math.round(kSize_css * devicePixelRatio);
    this.element.hidden = false;
    this.element.classList.toggle("left", left);
    if (this.element.width !== dots) this.element.width = this.element.height = dots;
    const pen = this.element.getContext("2d");
    if (!pen || !image.naturalWidth) return;
    const per = scale * devicePixelRatio;  // dots per photo pixel
    const half = dots / 2 / per;
    const shrunk = image.naturalWidth / size[0];
    pen.fillStyle = "#1f262d";
    pen.fillRect(0, 0, dots, dots);
    pen.imageSmoothingEnabled = per / shrunk < 3;
    pen.drawImage(image, (at[0] - half) * shrunk, (at[1] - half) * shrunk, 2 * half * shrunk,
                  2 * half * shrunk, 0, 0, dots, dots);
    pen.strokeStyle = "#e0540b";
    pen.lineWidth = 1.5 * devicePixelRatio;
    pen.beginPath();
    for (let i = 0; i + 1 < px.length; i += 2) {
      const x = (px[i]! - at[0]) * per + dots / 2, y = (px[i + 1]! - at[1]) * per + dots / 2;
      if (i === 0) pen.moveTo(x, y);
      else pen.lineTo(x, y);
    }
    pen.closePath();
    pen.stroke();
    pen.strokeStyle = "#ffffff";
    pen.lineWidth = devicePixelRatio;
    pen.beginPath();
    pen.moveTo(dots / 2, dots * 0.38);
    pen.lineTo(dots / 2, dots * 0.62);
    pen.moveTo(dots * 0.38, dots / 2);
    pen.lineTo(dots * 0.62, dots / 2);
    pen.stroke();
  }

  hide(): void { this.element.hidden = true; }
}
