/** Who works at the desk and in the unit, kept current. */
import type { RecordStore } from '../ports';
import { LiveRecords } from './live-records.svelte';
import { shown, textOf } from './shown';

/** Somebody who works here. */
export interface Colleague {
  record: string;
  name: string;
  role: string;
}

export class DeskStaff {
  readonly #staff: LiveRecords;

  constructor(store: RecordStore) {
    this.#staff = new LiveRecords(store, { kind: 'staff' });
  }

  /** People who work here now, by name. */
  colleagues = $derived.by((): Colleague[] =>
    this.#staff.list
      .filter((person) => !person.isEnteredInError && shown(person, 'active') !== false)
      .map((person) => ({
        record: person.record,
        name: textOf(person, 'name'),
        role: textOf(person, 'role'),
      }))
      .sort((a, b) => (a.name < b.name ? -1 : 1)),
  );

  readonly #names = $derived.by(
    () => new Map(this.#staff.list.map((person) => [person.record, textOf(person, 'name')])),
  );

  /** Return a person's name, "" where the staff list does not hold it. */
  nameOf(person: string): string {
    return this.#names.get(person) ?? '';
  }

  dispose(): void {
    this.#staff.dispose();
  }
}
