/** The device's clock; civil dates and offsets are those of the device's time zone. */
import type { Clock } from '../ports';

const two = (number: number) => String(number).padStart(2, '0');

/** Return the civil date of an instant in the device's time zone, `YYYY-MM-DD`. */
export function civilDate(instant: Date): string {
  const year = String(instant.getFullYear()).padStart(4, '0');
  return `${year}-${two(instant.getMonth() + 1)}-${two(instant.getDate())}`;
}

/** Return an instant as ISO 8601 with the device's offset, to the millisecond. */
export function isoWithOffset(instant: Date): string {
  const offset = -instant.getTimezoneOffset();
  const sign = offset < 0 ? '-' : '+';
  const size = Math.abs(offset);
  const time = [instant.getHours(), instant.getMinutes(), instant.getSeconds()].map(two).join(':');
  const ms = String(instant.getMilliseconds()).padStart(3, '0');
  const zone = `${sign}${two(Math.floor(size / 60))}:${two(size % 60)}`;
  return `${civilDate(instant)}T${time}.${ms}${zone}`;
}

export const deviceClock: Clock = {
  nowMs: () => Date.now(),
  monotonicMs: () => Math.round(performance.now()),
  today: () => civilDate(new Date()),
  nowIso: () => isoWithOffset(new Date()),
};
