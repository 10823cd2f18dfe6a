/**
 * What is known of one device: as the record has it, and as its label says where it was scanned.
 * Twin of `label_readings.py`.
 */
import { isCivilDate } from './civil-date';
import { type DeviceLabelAnswer, readDeviceLabel } from './device-label';
import { CalculationRefusedError } from './errors';

/** A two-digit year of a label whose implant bears no day is read as seen from here (DL4). */
const SEEN_FROM_ON = '2026-01-01';

/** One answer to what device it was; null for what nobody knows. */
export interface Reading {
  readonly identifier: string | null;
  readonly lot: string | null;
  readonly serial: string | null;
  readonly expires_on: string | null;
}
const NAMES = ['identifier', 'lot', 'serial', 'expires_on'] as const;
const NOTHING: Reading = { identifier: null, lot: null, serial: null, expires_on: null };

/**
 * Return every answer to what an implant is, at least one (LT6, LT7).
 *
 * @param devices - what stands in the record: one, several where answers differ, none where nobody
 * said
 * @param on - its day, for the century of a date on a label
 */
export function readDevices(
  devices: readonly Readonly<Record<string, unknown>>[],
  on: string | null,
): Reading[] {
  const found = new Map<string, Reading>();
  for (const device of devices) {
    for (const one of readDevice(device, on)) {
      const key = JSON.stringify(NAMES.map((name) => one[name]));
      if (!found.has(key)) found.set(key, one);
    }
  }
  return found.size > 0 ? [...found.values()] : [NOTHING];
}

function readDevice(device: Readonly<Record<string, unknown>>, on: string | null): Reading[] {
  const written: Reading = {
    identifier: textIn(device.identifier),
    lot: textIn(device.lot),
    serial: textIn(device.serial),
    expires_on: textIn(device.expires_on),
  };
  const raw = textIn(device.raw_label);
  if (raw === null) return [written];
  let answer: DeviceLabelAnswer;
  try {
    answer = readDeviceLabel(raw, on !== null && isCivilDate(on) ? on : SEEN_FROM_ON);
  } catch (error) {
    if (error instanceof CalculationRefusedError) return [written];
    throw error;
  }
  const label: Reading = {
    identifier: textIn(answer.gtin ?? answer.hibc_identifier),
    lot: textIn(answer.lot),
    serial: textIn(answer.serial),
    expires_on: textIn(answer.expires_on),
  };
  return [fill(written, label), fill(label, written)];
}

function fill(first: Reading, then: Reading): Reading {
  return {
    identifier: first.identifier ?? then.identifier,
    lot: first.lot ?? then.lot,
    serial: first.serial ?? then.serial,
    expires_on: first.expires_on ?? then.expires_on,
  };
}

function textIn(value: unknown): string | null {
  return typeof value === 'string' && value !== '' ? value : null;
}
