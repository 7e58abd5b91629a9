// The exact picture, always.
//
// A browser asked for a picture's own time may show the one before; asked for the middle between two times it can't.
// What is painted carries the time of the picture it was painted from, so label and picture can't part.

/** Index of the time nearest to `time_s` in a rising list. @param {ArrayLike<number>} times @param {number} time_s */
export function nearest(times, time_s) {
  let low = 0;
  let high = times.length - 1;
  while (low < high) {
    const mid = (low + high) >> 1;
    if (times[mid] < time_s) low = mid + 1;
    else high = mid;
  }
  return low > 0 && time_s - times[low - 1] <= times[low] - time_s ? low - 1 : low;
}

/**
 * File time to ask for so that picture `i` is shown, s.
 * @param {ArrayLike<number>} pts_s presentation times, rising
 * @param {number} i
 * @param {number} [share] of the way to the next picture
 */
export function aim(pts_s, i, share = 0.5) {
  const n = pts_s.length;
  const step = i + 1 < n ? pts_s[i + 1] - pts_s[i] : n > 1 ? pts_s[n - 1] - pts_s[n - 2] : 0.04;
  return pts_s[i] + share * step;
}

const SHARES = [0.5, 0.35, 0.65, 0.8];
const PATIENCE_MS = 5000;

/**
 * Shows pictures of a video element by index. `onPicture(index, source)` is called for every picture that is shown, with
 * something that can be drawn on a canvas.
 */
export class FrameSeeker {
  /**
   * @param {HTMLVideoElement} video
   * @param {ArrayLike<number>} pts_s presentation times of the pictures from the first one, s
   * @param {(index: number, source: CanvasImageSource) => void} onPicture
   */
  constructor(video, pts_s, onPicture) {
    this.video = video;
    this.pts_s = pts_s;
    this.onPicture = onPicture;
    /** The picture that is shown, -1 before the first. */
    this.shown = -1;
    /** The picture that was asked for last. */
    this.wanted = 0;
    /** @type {Promise<number>|null} */
    this._running = null;
    /** Shown times are known from the picture itself where the browser can say, else from the frame callback. */
    this._exact = typeof VideoFrame === "function";
    this._mediaTime = NaN;
    this._watching = 0;
  }

  /** Number of pictures. */
  get count() {
    return this.pts_s.length;
  }

  /**
   * Ask for a picture. Asked again while the last is still on its way, only the newest is fetched.
   * @param {number} index
   * @returns {Promise<number>} the picture that is shown in the end
   */
  show(index) {
    this.wanted = Math.min(Math.max(Math.round(index), 0), this.count - 1);
    if (!this._running) {
      this._running = this._chase().finally(() => {
        this._running = null;
      });
    }
    return this._running;
  }

  /** True while a picture is on its way. */
  get busy() {
    return this._running !== null;
  }

  /** Wait until the picture asked for last is shown. */
  async arrived() {
    while (this._running) await this._running;
  }

  /** A step from where one is going, so that held keys add up. @param {number} by */
  step(by) {
    return this.show((this._running ? this.wanted : this.shown) + by);
  }

  async _chase() {
    if (!this.video.paused) this.video.pause();
    let failed = 0;
    while (this.shown !== this.wanted && failed < SHARES.length) {
      const goal = this.wanted;
      const got = await this._seek(goal, SHARES[failed]);
      if (got !== goal && goal === this.wanted) failed++;
      else failed = 0;
    }
    return this.shown;
  }

  /**
   * @param {number} goal @param {number} share
   * @returns {Promise<number>}
   */
  async _seek(goal, share) {
    const { video } = this;
    let came = NaN;
    let seeked = false;
    const target = aim(this.pts_s, goal, share);
    await new Promise((resolve) => {
      let callback = 0;
      /** @type {any} */
      let timer = 0;
      const end = () => {
        video.removeEventListener("seeked", onSeeked);
        video.removeEventListener("error", end);
        if (callback) video.cancelVideoFrameCallback?.(callback);
        clearTimeout(timer);
        resolve(undefined);
      };
      const there = () => seeked && (this._exact ? this._look() === goal : nearest(this.pts_s, came) === goal);
      const onSeeked = () => {
        seeked = true;
        if (there()) end();
        else {
          // The callback may stay out (the picture was there already) or come late: look again for a while.
          clearTimeout(timer);
          const begun = performance.now();
          const again = () => {
            if (there() || performance.now() - begun > 400) end();
            else timer = setTimeout(again, 8);
          };
          timer = setTimeout(again, 4);
        }
      };
      const onFrame = (/** @type {number} */ _now, /** @type {{mediaTime: number}} */ meta) => {
        came = meta.mediaTime;
        callback = video.requestVideoFrameCallback(onFrame);
        if (there()) end();
      };
      video.addEventListener("seeked", onSeeked);
      video.addEventListener("error", end);
      if (video.requestVideoFrameCallback) callback = video.requestVideoFrameCallback(onFrame);
      timer = setTimeout(end, PATIENCE_MS);
      // Asking for the very time that is set already would be a seek that never ends.
      if (Math.abs(video.currentTime - target) < 1e-7) onSeeked();
      else video.currentTime = target;
    });
    if (Number.isFinite(came)) this._mediaTime = came;
    return this.paint(this._exact ? undefined : Number.isFinite(came) ? came : this.pts_s[goal]);
  }

  /** Index of the picture the element holds now, -1 where it holds none. */
  _look() {
    const picture = this._grab();
    if (!picture) return -1;
    const index = nearest(this.pts_s, picture.timestamp / 1e6);
    picture.close();
    return index;
  }

  /** @returns {VideoFrame|null} */
  _grab() {
    if (this.video.readyState < 2) return null;
    try {
      return new VideoFrame(this.video);
    } catch {
      return null;
    }
  }

  /**
   * Hand out the picture the element holds now.
   * @param {number} [time_s] its file time, where the browser can't read it off the picture
   * @returns {number} its index
   */
  paint(time_s) {
    if (this._exact) {
      const picture = this._grab();
      if (!picture) return this.shown;
      this.shown = nearest(this.pts_s, picture.timestamp / 1e6);
      this.onPicture(this.shown, picture);
      picture.close();
    } else if (this.video.readyState >= 2) {
      this.shown = nearest(this.pts_s, time_s ?? this._mediaTime);
      this.onPicture(this.shown, this.video);
    }
    return this.shown;
  }

  /**
   * Paint every picture the element shows while it plays, and tell `onTick` its index.
   * @param {(index: number) => void} onTick
   */
  follow(onTick) {
    const token = ++this._watching;
    const next = (/** @type {number} */ _now, /** @type {{mediaTime: number}} */ meta) => {
      if (token !== this._watching) return;
      this._mediaTime = meta.mediaTime;
      const before = this.shown;
      this.wanted = this.paint(meta.mediaTime);
      if (this.shown !== before) onTick(this.shown);
      if (!this.video.paused && !this.video.ended) this.video.requestVideoFrameCallback(next);
    };
    if (this.video.requestVideoFrameCallback) {
      this.video.requestVideoFrameCallback(next);
      return;
    }
    const poll = () => {
      if (token !== this._watching || this.video.paused) return;
      next(0, { mediaTime: this.video.currentTime });
      requestAnimationFrame(poll);
    };
    requestAnimationFrame(poll);
  }

  /** Stop playing, and stay at the picture shown. */
  async rest() {
    this._watching++;
    if (!this.video.paused) this.video.pause();
    const here = this.shown;
    // The element may have gone on by a picture between the last callback and the pause.
    if (this._look() !== here || !this._exact) {
      this.shown = -1;
      await this.show(here);
    }
    return this.shown;
  }
}
