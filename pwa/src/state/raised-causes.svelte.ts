/** Which causes this tablet has raised in a case, and where: one cause, one alert (GATE-04). */
import type { App } from './app';

export class RaisedCauses {
  readonly #app: App;
  readonly #name: string;
  /** What was kept is read before anything is written over it. */
  #isRestored = false;
  /** Cause to the place where it was raised first. */
  #firstAt = $state.raw<Readonly<Record<string, string>>>({});

  constructor(app: App, caseRecord: string) {
    this.#app = app;
    this.#name = `raised ${caseRecord}`;
    void this.#restore();
  }

  /**
   * Return the causes that were raised first at another place: there they are quiet.
   *
   * @param place - step and round; what is raised here stays as it is while it is on screen
   */
  elsewhere(place: string): string[] {
    return Object.entries(this.#firstAt)
      .filter(([, first]) => first !== place)
      .map(([cause]) => cause);
  }

  /** Return the causes that were raised first at this place. */
  at(place: string): string[] {
    return Object.entries(this.#firstAt)
      .filter(([, first]) => first === place)
      .map(([cause]) => cause);
  }

  /** Keep that these causes are on screen at a place; one known already keeps its first place. */
  note(causes: readonly string[], place: string): void {
    const fresh = causes.filter((cause) => !(cause in this.#firstAt));
    if (fresh.length === 0) return;
    this.#firstAt = { ...this.#firstAt, ...Object.fromEntries(fresh.map((one) => [one, place])) };
    if (this.#isRestored) this.#keep();
  }

  #keep(): void {
    void this.#app.store.remember(this.#name, { ...this.#firstAt });
  }

  async #restore(): Promise<void> {
    const held = await this.#app.store.recall(this.#name);
    const noted = Object.keys(this.#firstAt).length;
    const isMap = typeof held === 'object' && held !== null && !Array.isArray(held);
    const known = Object.entries(isMap ? held : {}).filter(
      (entry): entry is [string, string] => typeof entry[1] === 'string',
    );
    // The place where a cause came up first stays, also against one noted while this was read.
    this.#firstAt = { ...this.#firstAt, ...Object.fromEntries(known) };
    this.#isRestored = true;
    if (noted > 0) this.#keep();
  }
}
