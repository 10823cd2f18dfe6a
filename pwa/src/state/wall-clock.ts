/** Wall clocks of time zones as instants. Pure. */

const DAY_MS = 86_400_000;

/**
 * Return when a wall clock of a zone shows a time, in milliseconds since 1970.
 *
 * A time that the clock skips in spring counts as an hour later, one that comes twice in autumn as
 * the first.
 */
export function wallMs(on: string, time: string, zone: string): number {
  const wall = Date.parse(`${on}T${time}:00Z`);
  const [before, after] = [wall - DAY_MS, wall + DAY_MS].map((ms) => offsetMs(ms, zone));
  const [first, second] = [wall - (before ?? 0), wall - (after ?? 0)];
  if (offsetMs(first, zone) === before) return first;
  return offsetMs(second, zone) === after ? second : first;
}

/** Say whether a name is one of a time zone. */
export function isZone(name: string): boolean {
  try {
    return name !== '' && new Intl.DateTimeFormat('en', { timeZone: name }) !== null;
  } catch {
    return false;
  }
}

/** Return by how much the wall clock of a zone is ahead of UTC at an instant. */
export function offsetMs(ms: number, zone: string): number {
  const parts = new Intl.DateTimeFormat('en-GB-u-ca-iso8601', {
    timeZone: zone,
    hourCycle: 'h23',
    year: 'numeric',
    month: '2-digit',
    day: '2-digit',
    hour: '2-digit',
    minute: '2-digit',
    second: '2-digit',
  }).formatToParts(ms);
  const part = (type: string) => Number(parts.find((one) => one.type === type)?.value);
  const day = Date.UTC(part('year'), part('month') - 1, part('day'));
  const wall = day + ((part('hour') * 60 + part('minute')) * 60 + part('second')) * 1000;
  return wall - Math.floor(ms / 1000) * 1000;
}
