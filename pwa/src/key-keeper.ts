/** The keys of this tablet as the app asks for them: who has a PIN, unlock, confirm, lock. */

/** A person who has a PIN on this tablet. */
export interface PersonHere {
  /** `staff/id`. */
  staff: string;
  name: string;
  role: string;
  /** 0 where each further wrong PIN waits instead: the last person of a tablet that has no unit. */
  triesLeft: number;
  /** Wall milliseconds before which no PIN of theirs is tried; 0 where none waits. */
  waitUntilMs: number;
}

export interface KeyStanding {
  people: PersonHere[];
  /** Nobody has a PIN here yet: the records open without one. */
  isOpen: boolean;
  /** A live case keeps the records open through a restart. */
  hasLive: boolean;
  /** An emergency case is open, without the other records. */
  hasEmergency: boolean;
  /** This window only reads: the one that writes has the keys, and tries PINs. */
  isElsewhere?: true;
}

/**
 * `removed`: the person has no PIN here, or lost it by wrong ones; `isNobodyLeft`: nobody has one, and
 * only the unit opens the records.
 */
export type PinAnswer =
  | { kind: 'right' }
  | { kind: 'wrong'; triesLeft: number; waitUntilMs: number }
  | { kind: 'waiting'; waitUntilMs: number }
  | { kind: 'removed'; isNobodyLeft?: true };

/** A PIN that may not be chosen, a code that is not taken: one sentence. */
export interface KeyRefusal {
  kind: 'refused';
  sentence: string;
}

/**
 * What asking the unit for the key came to. `waits`: somebody compares these digits there, ask
 * again; `unheard`: nothing was decided, the network or the server is out of reach.
 */
export type RecoveryAnswer =
  | { kind: 'recovered' }
  | { kind: 'waits'; digits: string }
  | { kind: 'unheard'; sentence: string }
  | KeyRefusal;

/** Who says that a person may have a PIN here; nobody has to where nobody has one yet. */
export type Voucher = { by: string; pin: string } | { code: string } | null;

/** The keys of this tablet's records, and the PINs that open them [SEC-10] to [SEC-13]. */
export interface KeyKeeper {
  keyStanding(): Promise<KeyStanding>;
  /** Try a PIN; after `right` the store is opened as ever. */
  unlock(staff: string, pin: string): Promise<PinAnswer>;
  /** Try a PIN, for what its person confirms. */
  checkPin(staff: string, pin: string): Promise<PinAnswer>;
  /** Say whether a PIN may be chosen at all, before it is pressed a second time. */
  judgePin(pin: string): Promise<{ kind: 'right' } | KeyRefusal>;
  /** Give a person a PIN. A code names its person itself; `person` is what the screen shows. */
  addPerson(
    person: Pick<PersonHere, 'staff' | 'name' | 'role'>,
    pin: string,
    voucher: Voucher,
  ): Promise<PinAnswer | KeyRefusal>;
  changePin(staff: string, oldPin: string, newPin: string): Promise<PinAnswer | KeyRefusal>;
  removePerson(staff: string): Promise<{ kind: 'removed' } | KeyRefusal>;
  /** Say whether a case is live here: it stays open through a restart for at most 12 hours. */
  keepLive(isLive: boolean): Promise<void>;
  /** From the locked screen: open a store of its own for a new case; then open as ever. */
  startEmergency(): Promise<{ kind: 'started' } | KeyRefusal>;
  /**
   * Let the unit give the key back; `code` is a fresh invitation. Once the device has joined by it,
   * the same code or "" goes on where it waited.
   */
  recover(code: string): Promise<RecoveryAnswer>;
  /** Give up what nobody can open any more: everything on this tablet is removed. */
  startAnew(): Promise<void>;
  /** Close the records: the key and everything read goes from memory. */
  lock(): Promise<void>;
}
