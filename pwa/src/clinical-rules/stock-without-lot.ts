/**
 * Packages without a known lot that have expired or are recalled by their own label.
 * Twin of `stock_without_lot.py`.
 */
import { daysBetween } from './civil-date';
import type { LookAlikes } from './lot-names';
import { hasLot, isRecalled } from './stock-recalls';
import type { ItemRead, MovementRead, PackageRead, StockRead } from './stock-request';

/** Packages without a lot that nobody takes, by why; never more than lie there (SK20). */
export function countWithoutLot(
  item: ItemRead,
  came: readonly MovementRead[],
  gone: readonly PackageRead[],
  recalls: NonNullable<StockRead['recalls']>,
  withoutLot: number,
  todayOn: string,
  lookAlikes: LookAlikes,
): { kind: 'recalled' | 'expired'; lot: null; count: number }[] {
  const counts = { recalled: 0, expired: 0 };
  const all = [
    ...came.map((one) => ({ one, change: one.change })),
    ...gone.map((one) => ({ one, change: -1 })),
  ];
  for (const { one, change } of all) {
    if (hasLot(one)) continue;
    const { identifier = [], expires_on: day = null } = one;
    const named = [...(item.identifiers ?? []), identifier].flat();
    if (recalls.some((recall) => isRecalled(recall, named, '', day, lookAlikes))) {
      counts.recalled += change;
    } else if (day !== null && daysBetween(todayOn, day) < 0) counts.expired += change;
  }
  let left = Math.max(0, withoutLot);
  return (['recalled', 'expired'] as const).flatMap((kind) => {
    const count = Math.min(Math.max(0, counts[kind]), left);
    left -= count;
    return count === 0 ? [] : [{ kind, lot: null, count }];
  });
}
