/**
 * Bundles: one SQLite file that carries operations from place to place without a network.
 * Twin of `api/storage/bundle.py`.
 */
import { sha256 } from '@noble/hashes/sha2.js';
import { bytesToHex } from '@noble/hashes/utils.js';
import { textBytes } from '../sync/canonical-text';
import { SyncError } from '../sync/errors';
import { tell, whyOf } from '../told';
import type { Bound, Database } from './database';

const APPLICATION_ID = 0x43425544;
const FORMAT_VERSION = 1;
/** Unit setting (project default), as at the unit. */
export const MAX_BUNDLE_BYTES = 256 * 1024 * 1024;

const TABLES = [
  'CREATE TABLE manifest (name TEXT PRIMARY KEY, content TEXT NOT NULL) STRICT',
  'CREATE TABLE operation (place INTEGER PRIMARY KEY, envelope TEXT NOT NULL, body TEXT NOT NULL) STRICT',
  'CREATE TABLE head_signature (device TEXT NOT NULL, epoch TEXT NOT NULL, counter INTEGER NOT NULL, hash TEXT NOT NULL, key TEXT NOT NULL, signature TEXT NOT NULL) STRICT',
];
const MANIFEST_NAMES = ['digest', 'made_at_ms', 'made_by', 'operations', 'scope', 'streams'];

/** The file is no whole bundle; nothing was taken in. */
export class BundleError extends SyncError {
  override name = 'BundleError';
}

/** What a bundle says of itself; `scope` is `all`, `streams` or `unsent`. */
export interface Manifest {
  /** Device id of the tablet, or the generation of the unit's store. */
  madeBy: string;
  /** Wall clock of the maker, milliseconds since 1970-01-01T00:00Z. */
  madeAtMs: number;
  scope: string;
  streams: string[];
}

/** A device's signature over where its log ended. */
export type HeadSignature = readonly [
  device: string,
  epoch: string,
  counter: number,
  hash: string,
  key: string,
  signature: string,
];

/** A whole bundle: operations in the order of each log, one log after the other. */
export interface Bundle {
  manifest: Manifest;
  operations: readonly (readonly [envelope: string, body: string])[];
  signatures: readonly HeadSignature[];
}

/** A file in memory: a connection to it, and its bytes. */
export interface MemoryFile {
  database: Database;
  bytes(): Uint8Array<ArrayBuffer>;
}

/** Makes an empty file in memory, or opens the bytes of one. */
export type OpenFile = (bytes: Uint8Array | null) => Promise<MemoryFile>;

/** Write a bundle into an empty file and return its bytes (BU1, BU2). */
export async function writeBundle(
  open: OpenFile,
  bundle: Bundle,
): Promise<Uint8Array<ArrayBuffer>> {
  const { database, bytes } = await open(null);
  try {
    database.exec(`PRAGMA application_id = ${APPLICATION_ID}`);
    database.exec(`PRAGMA user_version = ${FORMAT_VERSION}`);
    database.transaction(() => {
      for (const table of TABLES) database.exec(table);
      for (const [name, content] of Object.entries(manifestRows(bundle))) {
        database.exec('INSERT INTO manifest VALUES (?, ?)', [name, content]);
      }
      for (const texts of bundle.operations) {
        database.exec('INSERT INTO operation (envelope, body) VALUES (?, ?)', texts);
      }
      for (const one of bundle.signatures) {
        database.exec('INSERT INTO head_signature VALUES (?, ?, ?, ?, ?, ?)', one);
      }
    });
    return bytes();
  } finally {
    database.close();
  }
}

/**
 * Return the bundle that a file holds (BU1, BU2).
 *
 * The file is foreign: only a schema that is ours to the letter is read, so that no view or
 * trigger of it ever runs.
 *
 * @throws BundleError for a file that is too large, no bundle, of another format, or changed
 */
export async function readBundle(open: OpenFile, content: Uint8Array): Promise<Bundle> {
  if (content.length > MAX_BUNDLE_BYTES) {
    throw new BundleError(tell('fileTooLarge', { bytes: MAX_BUNDLE_BYTES }));
  }
  let file: MemoryFile | null = null;
  try {
    file = await open(content);
    return readTables(file.database);
  } catch (error) {
    if (error instanceof BundleError) throw error;
    throw new BundleError(tell('fileBroken', { why: whyOf(error) }), { cause: error });
  } finally {
    closeQuietly(file);
  }
}

function closeQuietly(file: MemoryFile | null): void {
  try {
    file?.database.close();
  } catch {
    // A damaged file in memory: it is gone either way.
  }
}

function readTables(database: Database): Bundle {
  database.exec('PRAGMA trusted_schema = off');
  database.exec('PRAGMA cell_size_check = on');
  if (numberOf(database, 'application_id') !== APPLICATION_ID) {
    throw new BundleError(tell('fileForeign'));
  }
  const version = numberOf(database, 'user_version');
  if (version !== FORMAT_VERSION) {
    throw new BundleError(tell('fileFormat', { format: version, reads: FORMAT_VERSION }));
  }
  const found = database
    .select('SELECT sql FROM sqlite_schema WHERE sql IS NOT NULL')
    .map((row) => String(row.sql));
  if (found.sort().join(';') !== [...TABLES].sort().join(';')) {
    throw new BundleError(tell('fileTables'));
  }
  const rows = Object.fromEntries(
    database
      .select('SELECT name, content FROM manifest')
      .map((row) => [textOf(row.name), textOf(row.content)]),
  );
  if (Object.keys(rows).sort().join(' ') !== MANIFEST_NAMES.join(' ')) {
    throw new BundleError(tell('fileManifest'));
  }
  const bundle: Bundle = {
    manifest: {
      madeBy: rows.made_by ?? '',
      madeAtMs: Number(rows.made_at_ms),
      scope: rows.scope ?? '',
      streams: JSON.parse(rows.streams ?? '[]') as string[],
    },
    operations: database
      .select('SELECT envelope, body FROM operation ORDER BY place')
      .map((row) => [textOf(row.envelope), textOf(row.body)] as const),
    signatures: database
      .select('SELECT * FROM head_signature ORDER BY rowid')
      .map((row) => Object.values(row) as unknown as HeadSignature),
  };
  const expected = manifestRows(bundle);
  if (MANIFEST_NAMES.some((name) => expected[name] !== rows[name])) {
    throw new BundleError(tell('fileChanged'));
  }
  return bundle;
}

/** A changed byte can turn a text into bytes or a number. */
function textOf(content: Bound | undefined): string {
  if (typeof content !== 'string') {
    throw new BundleError(tell('fileText'));
  }
  return content;
}

function numberOf(database: Database, pragma: string): number {
  return Number(database.select(`PRAGMA ${pragma}`)[0]?.[pragma]);
}

function manifestRows(bundle: Bundle): Record<string, string> {
  const rows: Record<string, string> = {
    made_at_ms: String(bundle.manifest.madeAtMs),
    made_by: bundle.manifest.madeBy,
    operations: String(bundle.operations.length),
    scope: bundle.manifest.scope,
    streams: JSON.stringify(bundle.manifest.streams),
  };
  return { ...rows, digest: contentDigest(rows, bundle) };
}

/** Return SHA-256 over every text, each with its length in bytes before it (BU2). */
function contentDigest(manifest: Record<string, string>, bundle: Bundle): string {
  const digest = sha256.create();
  const take = (text: string) => {
    const content = textBytes(text);
    digest.update(textBytes(`${content.length}:`)).update(content);
  };
  for (const name of Object.keys(manifest).sort()) {
    take(name);
    take(manifest[name] ?? '');
  }
  for (const texts of bundle.operations) texts.forEach(take);
  for (const one of bundle.signatures) one.map(String).forEach(take);
  return bytesToHex(digest.digest());
}
