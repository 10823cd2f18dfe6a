/** Whether this tablet shows another time of day than the unit's zone (HAZ-34). Pure. */
import type { RecordState } from '../ports';
import { textOf } from './shown';
import { isZone, offsetMs } from './wall-clock';

/**
 * Return the zone of the unit where the tablet's clock shows another time than it, "" where it does
 * not, or where the unit names no zone.
 *
 * @param sites - records of kind `site`
 * @param deviceOffsetMs - by how much the tablet's wall clock is ahead of UTC now
 */
export function otherZone(
  sites: readonly RecordState[],
  nowMs: number,
  deviceOffsetMs: number,
): string {
  const standing = sites.filter((site) => !site.isEnteredInError);
  const zone = standing.map((site) => textOf(site, 'time_zone')).find(isZone) ?? '';
  return zone !== '' && offsetMs(nowMs, zone) !== deviceOffsetMs ? zone : '';
}
