/**
 * How far this device's own log had got, as the second store knows it.
 *
 * When the two stores disagree, the log may be an older copy: new work then goes into a new
 * epoch, so that no operation id is ever given to two operations.
 */
import type { Tip } from '../sync/operation-log';

export interface HighWaterMark {
  device: string;
  epoch: string;
  counter: number;
}

export type MarkVerdict = 'goes-on' | 'new-epoch' | 'store-lost' | 'fresh';

/**
 * Compare the log with the mark.
 *
 * A mark behind the log is a mark not yet written when the power went; a mark ahead, of another
 * device or epoch, or missing beside a log with entries, cannot be explained by that.
 *
 * @param tip - end of the own log in its current epoch; null when the store knows no device
 */
export function judgeMark(
  device: string | null,
  tip: Tip | null,
  mark: HighWaterMark | null,
): MarkVerdict {
  if (device === null || tip === null) {
    return mark !== null && mark.counter > 0 ? 'store-lost' : 'fresh';
  }
  const isOfThisLog = mark !== null && mark.device === device && mark.epoch === tip.epoch;
  if (isOfThisLog) return mark.counter > tip.counter ? 'new-epoch' : 'goes-on';
  return tip.counter === 0 ? 'goes-on' : 'new-epoch';
}
