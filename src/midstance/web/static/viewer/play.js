// Playing: as a share of real time, forwards, and round and round a stride.

/** Shares of real time one can choose. */
export const SPEEDS = [1, 1 / 2, 1 / 4, 1 / 8, 1 / 16, 1 / 32, 1 / 64];
/** Browsers play between these times their normal speed. */
const RATES = [0.0625, 16];
/** Below this many pictures a second each picture is shown one by one, none left out. */
const ONE_BY_ONE_FPS = 13;

/** Words for a share of real time. @param {number} share */
export const speedWords = (share) => (share >= 1 ? "real time" : `1/${Math.round(1 / share)} of real time`);

export class Player {
  /**
   * @param {import("./seek.js").FrameSeeker} seeker
   * @param {import("./film.js").Film} film
   * @param {(playing: boolean) => void} onState
   */
  constructor(seeker, film, onState) {
    this.seeker = seeker;
    this.film = film;
    this.onState = onState;
    this.share = 1 / 4;
    this.playing = false;
    /** @type {[number, number]|null} first and last picture of a loop */
    this.loop = null;
    /** First and last picture that are played. @type {[number, number]} */
    this.part = [0, film.count - 1];
    this._run = 0;
  }

  /** Pictures a second on the screen at the chosen speed. */
  get picturesPerSecond() {
    const n = this.film.count;
    return n < 2 ? 1 : (this.share * (n - 1)) / (this.film.time_s[n - 1] - this.film.time_s[0]);
  }

  get _rate() {
    return this.share * this.film.slowdown;
  }

  get _stepwise() {
    return this._rate < RATES[0] || this._rate > RATES[1] || this.picturesPerSecond < ONE_BY_ONE_FPS;
  }

  get _ends() {
    return this.loop ?? this.part;
  }

  async play() {
    if (this.playing) return;
    this.playing = true;
    this.onState(true);
    const [first, last] = this._ends;
    if (this.seeker.shown < first || this.seeker.shown >= last) await this.seeker.show(first);
    if (this.playing) this._go();
  }

  async pause() {
    if (!this.playing) return;
    this.playing = false;
    this._run++;
    await this.seeker.rest();
    this.onState(false);
  }

  toggle() {
    return this.playing ? this.pause() : this.play();
  }

  /** @param {number} share of real time */
  setSpeed(share) {
    this.share = share;
    if (this.playing) this._go();
  }

  _go() {
    const run = ++this._run;
    const { video } = this.seeker;
    if (this._stepwise) {
      video.pause();
      this._steps(run);
      return;
    }
    video.playbackRate = this._rate;
    const turn = () => {
      if (run !== this._run) return;
      const [first, last] = this._ends;
      if (this.seeker.shown < last && !video.ended) return;
      if (this.loop) this._again(run, first);
      else this.pause();
    };
    video.onended = turn;
    video.play().then(
      () => run === this._run && this.seeker.follow(turn),
      () => this.pause(),
    );
  }

  /** @param {number} run @param {number} first */
  async _again(run, first) {
    await this.seeker.show(first);
    if (run === this._run && this.playing) this._go();
  }

  /** Picture by picture, each the exact one; late ones are left out rather than shown late. @param {number} run */
  async _steps(run) {
    let begun = performance.now();
    let from = this.seeker.shown;
    while (run === this._run && this.playing) {
      const [first, last] = this._ends;
      const time_s = this.film.time_s[from] + ((performance.now() - begun) / 1000) * this.share;
      let next = Math.max(this.film.frameAt(time_s), this.seeker.shown);
      if (next > this.seeker.shown && this.film.time_s[next] > time_s) next--;
      if (this.seeker.shown >= last) {
        if (!this.loop) {
          this.pause();
          return;
        }
        await this.seeker.show(first);
        [begun, from] = [performance.now(), first];
        continue;
      }
      if (next > this.seeker.shown) await this.seeker.show(Math.min(next, last));
      else await new Promise((done) => setTimeout(done, 6));
    }
  }
}
