/** Devices as the unit desk keeps them: invited, let in by their digits, revoked. */
import type { DeskDevice } from '../desk-questions';
import type { UnitDesk } from './unit-desk.svelte';

const DIGITS = 6;

/** An invitation that was just made; told once. */
export interface MadeInvitation {
  role: DeskDevice['role'];
  code: string;
  /** To open on the new device; the code stands behind `#`, where no server sees it. */
  address: string;
}

/** Return the digits of what was typed, blanks left out. */
export function digitsOf(typed: string): string {
  return typed.replace(/\s/g, '');
}

/** Say whether these can be the digits of a device. */
export function areDigits(typed: string): boolean {
  return new RegExp(`^[0-9]{${DIGITS}}$`).test(digitsOf(typed));
}

export class DeskDevices {
  readonly #desk: UnitDesk;
  readonly #origin: string;
  /** Null before the server answered. */
  all = $state.raw<readonly DeskDevice[] | null>(null);
  made = $state.raw<MadeInvitation | null>(null);

  /** @param origin - of the unit's server, as this page was loaded from it */
  constructor(desk: UnitDesk, origin: string) {
    this.#desk = desk;
    this.#origin = origin;
  }

  waiting = $derived.by(() => (this.all ?? []).filter((device) => device.is_waiting));
  joined = $derived.by(() => (this.all ?? []).filter((device) => !device.is_waiting));

  async load(): Promise<void> {
    const told = await this.#desk.ask('devices', null);
    if (told !== null) this.all = told.devices;
  }

  async invite(role: DeskDevice['role']): Promise<void> {
    const told = await this.#desk.ask('invite', { role });
    if (told === null) return;
    this.made = { role, code: told.code, address: `${this.#origin}/${told.fragment}` };
  }

  /**
   * Let a device in that waits. The digits are typed from its screen: this screen never shows them,
   * so that a person has looked.
   */
  async letIn(device: string, typed: string): Promise<boolean> {
    const fingerprint = digitsOf(typed);
    if ((await this.#desk.ask('confirm', { device, fingerprint })) === null) return false;
    await this.load();
    return true;
  }

  async revoke(device: string, isLost: boolean): Promise<void> {
    if ((await this.#desk.ask('revoke', { device, is_lost: isLost })) !== null) await this.load();
  }

  /** Show the invitation no more. */
  hide(): void {
    this.made = null;
  }
}
