/** Devices as the unit desk keeps them: invited, named, let in by their digits, revoked. */
import type { DeskDevice } from '../desk-questions';
import type { UnitDesk } from './unit-desk.svelte';

const DIGITS = 6;

/** An invitation that was just made; told once. */
export interface MadeInvitation {
  role: DeskDevice['role'];
  code: string;
  /** The name that the device will bear, "" for a unit at its hub. */
  name: string;
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

/** Say whether a device waits for a person: one that was refused its key has its answer. */
export function isWaiting(device: DeskDevice): boolean {
  return device.is_waiting && device.recovery !== 'refused';
}

/** Return the ids of devices whose name another one bears too, as people read names. */
export function doublesOf(devices: readonly DeskDevice[]): ReadonlySet<string> {
  const nameOf = ({ name }: DeskDevice) => name.normalize('NFC').trim().toLowerCase();
  const counts = new Map<string, number>();
  for (const one of devices) counts.set(nameOf(one), (counts.get(nameOf(one)) ?? 0) + 1);
  return new Set(devices.filter((one) => (counts.get(nameOf(one)) ?? 0) > 1).map(({ id }) => id));
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

  waiting = $derived.by(() => (this.all ?? []).filter(isWaiting));
  joined = $derived.by(() => (this.all ?? []).filter((device) => !isWaiting(device)));
  /** Ids of those that share a name. */
  doubles = $derived.by(() => doublesOf(this.all ?? []));

  async load(): Promise<void> {
    const told = await this.#desk.ask('devices', null);
    if (told !== null) this.all = told.devices;
  }

  /**
   * Make an invitation.
   *
   * @param name - by which people will know the device; "" for the next number
   * @returns false where none was made
   */
  async invite(role: DeskDevice['role'], name: string): Promise<boolean> {
    const told = await this.#desk.ask('invite', { role, name: name.trim() });
    if (told === null) return false;
    const { code, fragment } = told;
    this.made = { role, code, name: told.name, address: `${this.#origin}/${fragment}` };
    return true;
  }

  async rename(device: string, name: string): Promise<boolean> {
    if ((await this.#desk.ask('rename', { device, name: name.trim() })) === null) return false;
    await this.load();
    return true;
  }

  /** Refuse a device the data key that it asks for; nothing on it is lost by that. */
  async refuseKey(device: string): Promise<void> {
    if ((await this.#desk.ask('refuse-key', { device })) !== null) await this.load();
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
