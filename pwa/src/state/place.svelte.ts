/** Where the person is in the app: kept in the address and, for a restart, in the store. */
import type { RecordStore } from '../ports';

export const CASE_PLACES = ['workup', 'plan', 'procedure', 'close-out', 'surveillance'] as const;
export type CasePlace = (typeof CASE_PLACES)[number];

export type Place =
  | { name: 'cases' }
  | { name: 'clinic' }
  | { name: 'decisions' }
  | { name: 'stock' }
  | { name: 'implants' }
  | { name: 'about' }
  | { name: 'tablet' }
  /** Joining another time; never come back to by address or after a restart. */
  | { name: 'join' }
  | { name: 'patient'; patient: string }
  | { name: CasePlace; caseId: string };

const PLAIN_PLACES: readonly Place[] = [
  { name: 'cases' },
  { name: 'clinic' },
  { name: 'decisions' },
  { name: 'stock' },
  { name: 'implants' },
  { name: 'about' },
  { name: 'tablet' },
];

/** Return the address part of a place, from `#` on. */
export function addressOf(place: Place): string {
  if ('caseId' in place) return `#/case/${place.caseId}/${place.name}`;
  if ('patient' in place) return `#/patient/${place.patient}`;
  return `#/${place.name}`;
}

/** Return the place that an address part names, or null for any other text. */
export function placeOf(address: string): Place | null {
  const parts = address.replace(/^#\/?/, '').split('/');
  if (parts[0] === 'case' && parts[1] && CASE_PLACES.includes(parts[2] as CasePlace)) {
    return { name: parts[2] as CasePlace, caseId: parts[1] };
  }
  if (parts[0] === 'patient' && parts[1]) return { name: 'patient', patient: parts[1] };
  const [name] = parts;
  return PLAIN_PLACES.find((place) => place.name === name) ?? null;
}

/** The place shown now. `caseId` and `patient` are record ids without their kind. */
export class Places {
  #store: RecordStore;
  current = $state<Place>({ name: 'cases' });
  /** The case that was open when a place without one was gone to; null once another case is. */
  lastCase = $state<(Place & { caseId: string }) | null>(null);

  constructor(store: RecordStore) {
    this.#store = store;
  }

  /** Go somewhere; a later restart comes back there. */
  go(place: Place): void {
    if ('caseId' in place) this.lastCase = null;
    else if ('caseId' in this.current) this.lastCase = this.current;
    this.current = place;
    const address = addressOf(place);
    if (window.location.hash !== address) window.location.hash = address;
    if (place.name !== 'join') void this.#store.remember('place', address);
  }

  /** Take up the address, else the place remembered, else `otherwise`. */
  async restore(otherwise: Place): Promise<void> {
    const remembered = await this.#store.recall('place');
    const place =
      placeOf(window.location.hash) ??
      (typeof remembered === 'string' ? placeOf(remembered) : null) ??
      otherwise;
    this.go(place);
    window.addEventListener('hashchange', () => {
      const next = placeOf(window.location.hash);
      if (next && addressOf(next) !== addressOf(this.current)) this.go(next);
    });
  }
}
