/** Calendar links as the desk makes and closes them; a new one is told once (FU-09, HAZ-47). */
import type { CalendarFeed } from '../clinic-questions';
import type { RecordStore } from '../ports';

/** A link that was just made. */
export interface MadeLink {
  name: string;
  address: string;
}

/** Return the address of a feed; whoever has it can read the feed. */
export function feedAddress(origin: string, token: string): string {
  return `${origin}/calendar/${token}.ics`;
}

export class ClinicLinks {
  readonly #store: Pick<RecordStore, 'askClinic'>;
  readonly #origin: string;
  /** Null before the unit answered. */
  feeds = $state.raw<readonly CalendarFeed[] | null>(null);
  /** The link made last; never kept, and gone with the view. */
  made = $state.raw<MadeLink | null>(null);
  isAsking = $state(false);
  /** Why the unit could not be asked, or refused; null where it answered. */
  notTold = $state<string | null>(null);

  /** @param origin - of the unit's server, as this page was loaded from it */
  constructor(store: Pick<RecordStore, 'askClinic'>, origin: string) {
    this.#store = store;
    this.#origin = origin;
  }

  open = $derived.by(() => (this.feeds ?? []).filter((feed) => feed.revoked_ms === null));
  closed = $derived.by(() => (this.feeds ?? []).filter((feed) => feed.revoked_ms !== null));

  load(): Promise<void> {
    return this.#ask(async () => {
      const answer = await this.#store.askClinic('calendars', null);
      if (answer.kind === 'told') this.feeds = answer.calendars;
      return answer;
    });
  }

  /**
   * Make a link.
   *
   * @param name - the place, or the record of the person
   * @param shown - by what name it is spoken of
   */
  make(scope: CalendarFeed['scope'], name: string, shown: string): Promise<void> {
    return this.#ask(async () => {
      const answer = await this.#store.askClinic('make-calendar', { scope, name });
      if (answer.kind !== 'told') return answer;
      this.made = { name: shown, address: feedAddress(this.#origin, answer.token) };
      const listed = await this.#store.askClinic('calendars', null);
      if (listed.kind === 'told') this.feeds = listed.calendars;
      return listed;
    });
  }

  close(calendar: string): Promise<void> {
    return this.#ask(async () => {
      const answer = await this.#store.askClinic('close-calendar', { calendar });
      if (answer.kind === 'told') this.feeds = answer.calendars;
      return answer;
    });
  }

  /** Show the new link no more. */
  hide(): void {
    this.made = null;
  }

  /** One question at a time: a double press makes one link. */
  async #ask(
    ask: () => Promise<{ kind: 'told' } | { kind: 'not-told'; sentence: string }>,
  ): Promise<void> {
    if (this.isAsking) return;
    this.isAsking = true;
    try {
      const answer = await ask();
      this.notTold = answer.kind === 'told' ? null : answer.sentence;
    } finally {
      this.isAsking = false;
    }
  }
}
