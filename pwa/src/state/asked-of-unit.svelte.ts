/** What only the unit knows: asked now and after each exchange, and kept while it is silent. */
import type { RecordStore } from '../ports';

type Answer<Told> = ({ kind: 'told' } & Told) | { kind: 'not-told'; sentence: string };

export class AskedOfUnit<Told extends object> {
  readonly #ask: () => Promise<Answer<Told>>;
  readonly #stop: () => void;
  #asked = 0;
  #askedAtMs: number | null = null;
  /** What the unit said last; null before it said anything. */
  told = $state.raw<Told | null>(null);
  /** Why the unit could not be asked, "" when it answered or there is none. */
  notTold = $state('');

  constructor(store: RecordStore, ask: () => Promise<Answer<Told>>) {
    this.#ask = ask;
    this.#stop = store.onExchange(({ lastDoneMs }) => {
      // What was written here reaches the unit by an exchange.
      if (lastDoneMs === this.#askedAtMs) return;
      this.#askedAtMs = lastDoneMs;
      void this.#load();
    });
    void this.#load();
  }

  async #load(): Promise<void> {
    const asked = ++this.#asked;
    const answer = await this.#ask();
    // An answer overtaken by a later question shows an older state: drop it.
    if (asked !== this.#asked) return;
    this.notTold = answer.kind === 'told' ? '' : answer.sentence;
    // What the unit said last stays on screen while it cannot be reached.
    if (answer.kind === 'told') this.told = answer;
  }

  dispose(): void {
    this.#asked++;
    this.#stop();
  }
}
