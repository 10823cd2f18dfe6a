/** Ids in order of time: 10 base-36 digits of milliseconds, then chance; `[a-z0-9]` alone. */
import type { IdSource } from '../ports';
import { randomText } from './chance';

/** Return the id for a time and 10 random letters. */
export function timeOrderedId(wallMs: number, chance: string): string {
  return Math.max(0, wallMs).toString(36).padStart(10, '0') + chance;
}

export const deviceIds: IdSource = {
  newId: () => timeOrderedId(Date.now(), randomText(10)),
};
