/** People as the unit desk keeps them: added, given a role, let onto a tablet, gone. */
import type { DeskRole, DeskStaff } from '../desk-questions';
import { TRAIL_READERS, type UnitDesk } from './unit-desk.svelte';

export const DESK_ROLES: readonly DeskRole[] = [
  'endoscopist',
  'assistant',
  'anaesthetist',
  'booking',
  'data-manager',
  'unit-admin',
  'auditor',
  'training',
];

/** A one-time code that was just made; told once. */
export interface MadeStaffCode {
  name: string;
  opens: 'tablet' | 'log-in';
  code: string;
}

/** Say whether the record says another role than the unit gave: nobody gets in under it. */
export function differs(person: DeskStaff): boolean {
  return person.is_active && person.given_role !== '' && person.given_role !== person.role;
}

export class DeskPeople {
  readonly #desk: UnitDesk;
  /** Null before the server answered. */
  all = $state.raw<readonly DeskStaff[] | null>(null);
  made = $state.raw<MadeStaffCode | null>(null);

  constructor(desk: UnitDesk) {
    this.#desk = desk;
  }

  here = $derived.by(() => (this.all ?? []).filter((person) => person.is_active));
  /** Who may look who looked, by the role that the unit gave: under another nobody logs in. */
  trailReaders = $derived.by(() =>
    this.here.filter((person) => TRAIL_READERS.some((role) => role === person.given_role)),
  );
  gone = $derived.by(() => (this.all ?? []).filter((person) => !person.is_active));

  async load(): Promise<void> {
    const told = await this.#desk.ask('people', null);
    if (told !== null) this.all = told.people;
  }

  async add(name: string, role: DeskRole): Promise<boolean> {
    const told = await this.#desk.ask('add-person', { name, role, login: '' });
    if (told !== null) this.all = told.people;
    return told !== null;
  }

  giveRole(staff: string, role: DeskRole): Promise<void> {
    return this.#change({ staff, change: 'role', role });
  }

  letGo(staff: string): Promise<void> {
    return this.#change({ staff, change: 'leave', role: '' });
  }

  takeBack(staff: string): Promise<void> {
    return this.#change({ staff, change: 'return', role: '' });
  }

  endLogIns(staff: string): Promise<void> {
    return this.#change({ staff, change: 'end-log-ins', role: '' });
  }

  async makeCode(person: DeskStaff, opens: 'tablet' | 'log-in'): Promise<void> {
    const told = await this.#desk.ask('make-code', { staff: person.staff, opens });
    if (told !== null) this.made = { name: person.name, opens, code: told.code };
  }

  /** Show the code no more. */
  hide(): void {
    this.made = null;
  }

  async #change(asks: {
    staff: string;
    change: 'role' | 'leave' | 'return' | 'end-log-ins';
    role: string;
  }): Promise<void> {
    const told = await this.#desk.ask('change-person', asks);
    if (told !== null) this.all = told.people;
  }
}
