// The part of the picture one looks at: zoom and pan, and from the screen to the picture and back.

/** @typedef {[number, number]} Point */

/** Most screen pixels a picture pixel may get. */
const MOST = 24;

export class Stage {
  /**
   * @param {HTMLElement} element the frame the picture is seen in
   * @param {HTMLCanvasElement} picture
   * @param {number} width @param {number} height of the upright film, px
   * @param {() => void} onChange
   */
  constructor(element, picture, width, height, onChange) {
    this.element = element;
    this.picture = picture;
    this.width = width;
    this.height = height;
    this.onChange = onChange;
    this.scale = 1;
    this.x = 0;
    this.y = 0;
    /** True while the whole picture is shown, so that a resized window shows it whole again. */
    this.whole = true;
    picture.style.setProperty("width", `${width}px`);
    picture.style.setProperty("height", `${height}px`);
    new ResizeObserver(() => this.resized()).observe(element);
  }

  get size() {
    return /** @type {Point} */ ([this.element.clientWidth, this.element.clientHeight]);
  }

  /** Scale at which the whole picture just fits. */
  get fitScale() {
    const [w, h] = this.size;
    return Math.min(w / this.width, h / this.height) || 1;
  }

  /** How much larger than whole. */
  get zoom() {
    return this.scale / this.fitScale;
  }

  resized() {
    if (this.whole) this.fit();
    else this._set(this.scale, this.x, this.y);
  }

  fit() {
    const [w, h] = this.size;
    const s = this.fitScale;
    this._set(s, (w - s * this.width) / 2, (h - s * this.height) / 2);
    this.whole = true;
  }

  /** @param {number} scale @param {number} x @param {number} y */
  _set(scale, x, y) {
    const [w, h] = this.size;
    const s = Math.min(Math.max(scale, this.fitScale), MOST);
    const hold = (/** @type {number} */ at, /** @type {number} */ room, /** @type {number} */ long) =>
      long <= room ? (room - long) / 2 : Math.min(Math.max(at, room - long), 0);
    this.scale = s;
    this.x = hold(x, w, s * this.width);
    this.y = hold(y, h, s * this.height);
    this.whole = s <= this.fitScale * 1.001;
    this.picture.style.setProperty("transform", `translate(${this.x}px, ${this.y}px) scale(${s})`);
    this.onChange();
  }

  /** Picture px to screen px of the frame. @param {Point} p @returns {Point} */
  toScreen(p) {
    return [this.x + this.scale * p[0], this.y + this.scale * p[1]];
  }

  /** @param {Point} p @returns {Point} */
  toFilm(p) {
    return [(p[0] - this.x) / this.scale, (p[1] - this.y) / this.scale];
  }

  /** Where a pointer is in the frame. @param {PointerEvent|WheelEvent|MouseEvent} event @returns {Point} */
  at(event) {
    const box = this.element.getBoundingClientRect();
    return [event.clientX - box.left - this.element.clientLeft, event.clientY - box.top - this.element.clientTop];
  }

  /** Zoom so that what is under a place of the frame stays there. @param {Point} place @param {number} factor */
  zoomAt(place, factor) {
    const film = this.toFilm(place);
    const s = Math.min(Math.max(this.scale * factor, this.fitScale), MOST);
    this._set(s, place[0] - s * film[0], place[1] - s * film[1]);
  }

  /** @param {number} dx @param {number} dy screen px */
  pan(dx, dy) {
    this._set(this.scale, this.x + dx, this.y + dy);
  }

  /** Bring a place of the picture to the middle. @param {Point} film @param {number} [scale] */
  centreOn(film, scale = this.scale) {
    const [w, h] = this.size;
    this._set(scale, w / 2 - scale * film[0], h / 2 - scale * film[1]);
  }

  /** Move only as far as needed to have a place in sight. @param {Point} film @param {number} [margin] screen px */
  reveal(film, margin = 40) {
    const [w, h] = this.size;
    const [x, y] = this.toScreen(film);
    const off = (/** @type {number} */ v, /** @type {number} */ room) => (v < margin ? margin - v : v > room - margin ? room - margin - v : 0);
    const [dx, dy] = [off(x, w), off(y, h)];
    if (dx || dy) this.pan(dx, dy);
  }
}
