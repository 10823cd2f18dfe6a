/** The line over a case that is recorded only: six words at most, then that recording goes on. */
import type { OutsideFact } from '../state/case-use.svelte';
import { say, words } from './say';

const said = words('recordOnly');

/** Return the line for the facts that lie outside the stated use; "" where none does. */
export function recordOnlyLine(outside: readonly OutsideFact[]): string {
  if (outside.length === 0) return '';
  const because = outside.map((fact) => said.because[fact]).join(', ');
  return `${say('recordOnly.line', { because })} ${said.goesOn}`;
}
