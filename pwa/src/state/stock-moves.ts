/** What a correction of the shelf records. Pure. */
import type { ShelfLot } from '../clinical-rules/stock-counts';
import type { Json } from '../ports';
import type { MovementReason } from './stock.svelte';

/**
 * Return by how many packages a movement changes the shelf.
 *
 * @param count - packages that lie there now where they were counted, else that came or left
 * @param onShelf - packages that the record says lie there
 */
export function changeOf(reason: MovementReason, count: number, onShelf: number): number {
  if (reason === 'counted') return count - onShelf;
  return reason === 'delivered' ? count : -count;
}

/** Return the label of packages of one lot; null for packages whose lot nobody knows. */
export function deviceOf(lot: Pick<ShelfLot, 'lot' | 'expires_on'> | null): Record<string, Json> {
  if (lot === null) return { lot_unknown: true };
  return { lot: lot.lot, ...(lot.expires_on === null ? {} : { expires_on: lot.expires_on }) };
}
