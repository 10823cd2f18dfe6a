/** The records that the clinic works on, kept current. */
import type { RecordStore } from '../ports';
import { LiveRecords } from './live-records.svelte';
import { textOf } from './shown';
import type { Booking, HeldRecords } from './worklist';
import { findNoPlaces } from './worklist-sessions';

export class ClinicRecords {
  readonly #visits: LiveRecords;
  readonly #patients: LiveRecords;
  readonly #attempts: LiveRecords;
  readonly #sessions: LiveRecords;

  constructor(store: RecordStore) {
    this.#visits = new LiveRecords(store, { kind: 'visit' });
    this.#patients = new LiveRecords(store, { kind: 'patient' });
    this.#attempts = new LiveRecords(store, { kind: 'contact_attempt' });
    this.#sessions = new LiveRecords(store, { kind: 'clinic_session' });
  }

  /** Sessions too: a visit whose session is not read yet would stand without a place (BK7). */
  get isLoaded(): boolean {
    return this.#all.every((one) => one.isLoaded);
  }

  readonly lists = $derived.by(() => ({
    sessions: this.#sessions.list,
    visits: this.#visits.list,
    patients: this.#patients.list,
    isLoaded: this.isLoaded,
  }));

  /** Return what the worklist of a civil date is made of. */
  heldOn(todayOn: string): HeldRecords {
    const { sessions, visits, patients } = this.lists;
    const noPlaces = findNoPlaces(sessions, visits, todayOn);
    return { visits, patients, attempts: this.#attempts.list, noPlaces };
  }

  /** Return the place a booking names, "" where its session is not held. */
  placeOf(booking: Booking): string {
    const held = this.#sessions.list.find((session) => session.record === booking.session);
    return textOf(held, 'place');
  }

  get #all(): readonly LiveRecords[] {
    return [this.#visits, this.#patients, this.#attempts, this.#sessions];
  }

  dispose(): void {
    for (const live of this.#all) live.dispose();
  }
}
