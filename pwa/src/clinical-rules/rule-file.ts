/**
 * Reads one rule file: data with source, version and approver. Twin of `rule_file.py`.
 *
 * What the rows mean is not in here: each calculator brings its own `rowShape`.
 */
import { sha256 } from '@noble/hashes/sha2.js';
import { bytesToHex, utf8ToBytes } from '@noble/hashes/utils.js';
import { RuleFileError, ShapeError } from './errors';
import { listOf, oneOf, type Reader, shape, text, wholeNumber } from './shapes';

export const BASES = [
  'published',
  'common-practice',
  'from-memory',
  'derived',
  'unit-setting',
] as const;
export type Basis = (typeof BASES)[number];

/** What every row may carry beside its own keys (RF2). */
export interface Row {
  readonly source?: string;
  readonly basis?: Basis;
}

/** One rule file as read; `sha256` is that of its bytes on disk. */
export interface RuleFile<T> {
  readonly name: string;
  readonly version: number;
  readonly status: 'in force' | 'draft' | 'approved' | 'retired';
  readonly sha256: string;
  readonly inForceFrom: string;
  readonly source: { readonly title: string; readonly edition: string; readonly page: string };
  readonly approvedBy: readonly string[];
  readonly unit: string;
  readonly rows: readonly T[];
  readonly note: string;
}

const anything: Reader<unknown> = (content) => content;

const readHead = shape({
  name: text,
  version: wholeNumber,
  status: oneOf('in force', 'draft', 'approved', 'retired'),
  in_force_from: text,
  source: shape({ title: text, edition: text, page: text }),
  approved_by: listOf(text),
  unit: text,
  rows: listOf(anything),
  note: text,
});

/**
 * Return a reader of rows with exactly these keys, and `source` and `basis` where a row has them.
 *
 * @param required - readers of the keys that must be there
 * @param optional - readers of the keys that may be left out
 */
export function rowShape<
  R extends Readonly<Record<string, Reader<unknown>>>,
  O extends Readonly<Record<string, Reader<unknown>>> = Record<never, never>,
>(required: R, optional?: O) {
  const withOrigin = { ...(optional ?? ({} as O)), source: text, basis: oneOf(...BASES) };
  return shape(required, withOrigin);
}

/**
 * Return the rule file that the text holds, its rows read by `readRow`. Rules RF1-RF3.
 *
 * @param nameOnDisk - path below the data folder, such as `sizing/coil_counts.v1.json`
 * @param content - the file as it lies on disk; `sha256` is taken over exactly its UTF-8 bytes
 * @throws RuleFileError for unknown or missing keys, a wrong type, no rows, or a name or version
 * that is not the path's; the text names the file, the row (counted from 1) and the remedy
 */
export function readRuleFile<T>(
  nameOnDisk: string,
  content: string,
  readRow: Reader<T>,
): RuleFile<T> {
  const head = refuseAs(`Rule file ${nameOnDisk} cannot be read`, 'Correct it there.', () =>
    readHead(JSON.parse(content), ''),
  );
  if (`${head.name}.v${head.version}.json` !== nameOnDisk) {
    throw new RuleFileError(
      `Rule file ${nameOnDisk} calls itself ${head.name} version ${head.version}. ` +
        'Correct its `name` or `version`, or rename the file.',
    );
  }
  if (head.rows.length === 0) {
    throw new RuleFileError(`Rule file ${nameOnDisk} has no rows. Add at least one.`);
  }
  return {
    name: head.name,
    version: head.version,
    status: head.status,
    sha256: hashText(content),
    inForceFrom: head.in_force_from,
    source: head.source,
    approvedBy: head.approved_by,
    unit: head.unit,
    rows: head.rows.map((row, place) =>
      refuseAs(`Rule file ${nameOnDisk}: row ${place + 1} cannot be read`, 'Correct it.', () =>
        readRow(row, ''),
      ),
    ),
    note: head.note,
  };
}

/** Return the SHA-256 of a text's UTF-8 bytes, as hexadecimal digits. */
export function hashText(content: string): string {
  return bytesToHex(sha256(utf8ToBytes(content)));
}

/** Return the path of a rule file below the data folder, for sentences. */
export function pathOf({ name, version }: { name: string; version: number }): string {
  return `${name}.v${version}.json`;
}

/**
 * Refuse half-open ranges that do not follow each other without gap or overlap (RF4).
 *
 * @param ranges - `[from, below]` of each row in the order of the rows; the last `below` may be null
 * @throws RuleFileError that names the two rows, the range and the key to correct
 */
export function refuseGapsAndOverlaps(
  nameOnDisk: string,
  ranges: readonly (readonly [number, number | null])[],
  { unit, belowKey }: { unit: string; belowKey: string },
): void {
  for (const [place, [lower, upper]] of ranges.entries()) {
    const isLast = place === ranges.length - 1;
    if ((upper === null && !isLast) || (upper !== null && upper <= lower)) {
      throw new RuleFileError(
        `Rule file ${nameOnDisk}: row ${place + 1} ends before it begins or has no end. ` +
          `Correct \`${belowKey}\` of row ${place + 1}.`,
      );
    }
    const following = ranges[place + 1]?.[0];
    if (upper === null || following === undefined) return;
    if (following !== upper) {
      const fault = following < upper ? 'overlap' : 'leave a gap';
      const [low, high] = [Math.min(upper, following), Math.max(upper, following)];
      throw new RuleFileError(
        `Rule file ${nameOnDisk}: rows ${place + 1} and ${place + 2} ${fault} ` +
          `(${low}-${high} ${unit}). Correct \`${belowKey}\` of row ${place + 1}.`,
      );
    }
  }
}

function refuseAs<T>(fault: string, remedy: string, read: () => T): T {
  try {
    return read();
  } catch (error) {
    if (error instanceof ShapeError || error instanceof SyntaxError) {
      throw new RuleFileError(`${fault} (${error.message}). ${remedy}`);
    }
    throw error;
  }
}
