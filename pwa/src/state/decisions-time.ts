/** Instants as people on this device read them. */
import { dayWords } from './surveillance-dates';

const two = (number: number) => String(number).padStart(2, '0');

/** Return the civil date of an instant in the device's time zone. */
export function civilDayOf(wallMs: number): string {
  const instant = new Date(wallMs);
  return `${instant.getFullYear()}-${two(instant.getMonth() + 1)}-${two(instant.getDate())}`;
}

/** Return `Tue 3 Mar 2026, 14:32` in the device's time zone; "" for no time. */
export function instantWords(wallMs: number | null): string {
  if (wallMs === null) return '';
  const instant = new Date(wallMs);
  return `${dayWords(civilDayOf(wallMs))}, ${two(instant.getHours())}:${two(instant.getMinutes())}`;
}
