/** Which rule files this tablet computes by, as it tells its unit: a digest and a day (DM-01). */
import type { RuleBook } from '../clinical-rules/rule-book';
import { hashText } from '../clinical-rules/rule-file';
import type { RecordStore } from '../ports';

/** Under this name the store that exchanges finds what the page computes by. */
const NAME = 'rules-told';
const DIGITS = 16;

/** Return the version in force of each rule file that is held, by name. */
export function versionsInForce(
  contents: Readonly<Record<string, string>>,
  book: RuleBook,
): Record<string, number> {
  const found: Record<string, number> = {};
  for (const path of Object.keys(contents)) {
    const name = /^(.+)\.v\d+\.json$/.exec(path)?.[1];
    const version = name === undefined ? null : book.versionOf(name);
    if (name !== undefined && version !== null) found[name] = version;
  }
  return found;
}

/**
 * Return a digest of which version of each rule file is in force: the first 16 hexadecimal digits of
 * SHA-256 over lines `name.vN`, by name. Twin of `digest_in_force` in
 * `api/use_cases/device_standing.py`.
 */
export function digestInForce(versions: Readonly<Record<string, number>>): string {
  const lines = Object.entries(versions).map(([name, version]) => `${name}.v${version}\n`);
  return hashText(lines.sort().join('')).slice(0, DIGITS);
}

/** Lay down what this page computes by, where it is not what lies there. */
export async function keepRulesTold(
  store: Pick<RecordStore, 'recall' | 'remember'>,
  contents: Readonly<Record<string, string>>,
  book: RuleBook,
): Promise<void> {
  const told = { digest: digestInForce(versionsInForce(contents, book)), on: book.on };
  if (JSON.stringify(await store.recall(NAME)) === JSON.stringify(told)) return;
  await store.remember(NAME, told);
}
