/** A code of the unit as a person types it: an invitation, or a one-time code. Pure. */

const GROUP = 4;

/**
 * Return a code as the unit made it: capitals in groups of four, with a hyphen between.
 *
 * What people and keyboards add or leave out says nothing: blanks, hyphens and dashes of any kind,
 * small letters, signs that nobody sees. Letters themselves are never guessed.
 */
export function readTypedCode(typed: string): string {
  const letters = typed
    .normalize('NFKC')
    .replace(/[\s\p{Dash}\p{Cf}]/gu, '')
    .toUpperCase();
  const groups: string[] = [];
  for (let start = 0; start < letters.length; start += GROUP) {
    groups.push(letters.slice(start, start + GROUP));
  }
  return groups.join('-');
}
