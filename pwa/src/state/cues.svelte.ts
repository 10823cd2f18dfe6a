/** Cues: each is shown, and sounds where sound is on and the browser plays it (UX-13, HAZ-19). */
import { type Cue, cueSamples, type Loudness } from './cue-tones';

/** The browser's sound. */
export interface SoundPort {
  /** Ask the browser to let sound through; call from a touch or a key. */
  unlock(): void;
  isRunning(): boolean;
  /** Samples a second of what `play` takes. */
  perSecond(): number;
  play(samples: Float32Array<ArrayBuffer>): void;
  /** Call whenever `isRunning` may have changed. */
  onChange(listener: () => void): void;
}

/** How long the words of a cue stay on screen. */
export const SHOWN_MS = 1_600;
/** No sound follows another sooner: single tones never add up to a burst (HAZ-20). */
export const APART_MS = 1_500;

export class Cues {
  readonly #port: SoundPort;
  readonly #loudness: () => Loudness;
  readonly #nowMs: () => number;
  readonly #later: (waitMs: number, work: () => void) => () => void;
  #callOff: () => void = () => {};
  #soundedMs = Number.NEGATIVE_INFINITY;
  #isRunning = $state(false);
  /** The cue that is shown now, null when none is. */
  shown = $state<Cue | null>(null);

  /**
   * @param loudness - as set on this tablet now
   * @param nowMs - of a clock that never jumps while awake
   * @param later - does some work after so many milliseconds; returns how to call it off
   */
  constructor(
    port: SoundPort,
    loudness: () => Loudness,
    nowMs: () => number,
    later: (waitMs: number, work: () => void) => () => void,
  ) {
    this.#port = port;
    this.#loudness = loudness;
    this.#nowMs = nowMs;
    this.#later = later;
    this.#isRunning = port.isRunning();
    port.onChange(() => {
      this.#isRunning = port.isRunning();
    });
  }

  /** Sound is on, and the browser would not play it now (HAZ-19). */
  readonly isMute = $derived.by(() => this.#loudness() !== 'off' && !this.#isRunning);

  /** Let sound through, where it is on; call from a touch or a key. */
  unlock(): void {
    if (this.#loudness() !== 'off' && !this.#port.isRunning()) this.#port.unlock();
  }

  /** Show a cue, and sound it once. The words never wait for the sound. */
  give(cue: Cue): void {
    this.shown = cue;
    this.#callOff();
    this.#callOff = this.#later(SHOWN_MS, () => {
      this.shown = null;
    });
    const loudness = this.#loudness();
    const nowMs = this.#nowMs();
    if (loudness === 'off' || !this.#port.isRunning()) return;
    if (nowMs - this.#soundedMs < APART_MS) return;
    this.#soundedMs = nowMs;
    this.#port.play(cueSamples(cue, loudness, this.#port.perSecond()));
  }
}
