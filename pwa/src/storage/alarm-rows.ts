/** What was set aside on this tablet and has to be told to people until one has seen to it. */
import { sha256 } from '@noble/hashes/sha2.js';
import { bytesToHex, utf8ToBytes } from '@noble/hashes/utils.js';
import type { UnitAlarm } from '../ports';
import { findSeenTo, nameFork, nameSetAside } from '../record-catalogue/alarms';
import { tell } from '../told';
import type { Database } from './database';
import { heldHash } from './operation-rows';
import type { OperationStore } from './operation-store';

const OP_ID = /^([a-z0-9-]{1,32})\.([a-z0-9]{4,16})\.([1-9]\d{0,11})$/;

/** Under this name a tablet remembers which alarms the unit calls seen to. */
const SEEN_TO_BY_UNIT = 'alarms seen to';

/** Remember what the unit says: a desk does not read the decisions themselves (CF5). */
export function rememberSeenTo(store: OperationStore, names: readonly string[]): void {
  store.remember(SEEN_TO_BY_UNIT, [...names]);
}

/** Return every alarm of this tablet, oldest first, seen to or not. */
export function listAlarms(store: OperationStore): UnitAlarm[] {
  return [...listForks(store), ...listSetAside(store.database)];
}

/** Return the alarms of this tablet that nobody has seen to, as far as it knows (CF5). */
export function listOpenAlarms(store: OperationStore): UnitAlarm[] {
  const alarms = listAlarms(store);
  if (alarms.length === 0) return [];
  const seen = findSeenTo(store.read({ kind: 'decision' }));
  const told = store.recall(SEEN_TO_BY_UNIT);
  const seenThere = new Set<unknown>(Array.isArray(told) ? told : []);
  return alarms.filter(({ name }) => !seen.has(name) && !seenThere.has(name));
}

/** Tell what waits for a person on this tablet, "" when nothing does. */
export function tellTrouble(store: OperationStore): string {
  const open = listOpenAlarms(store);
  const [first] = open;
  if (first?.name.startsWith('fork/')) return first.sentence;
  const last = open.at(-1);
  if (last === undefined) return '';
  return tell('setAside', { count: open.length, why: last.sentence });
}

function listForks(store: OperationStore): UnitAlarm[] {
  const device = store.ownDevice()?.device ?? '';
  return store.database
    .select('SELECT epoch FROM own_epoch WHERE is_forked = 1 ORDER BY rowid')
    .map(({ epoch }) => ({
      name: nameFork(device, String(epoch)),
      kind: 'fork',
      op_id: `${device}.${epoch}`,
      record: '',
      sentence: tell('forked'),
      received_ms: null,
    }));
}

function listSetAside(database: Database): UnitAlarm[] {
  const named = new Map<string, UnitAlarm>();
  const rows = database.select(
    'SELECT op_id, envelope, body, sentence, found_ms FROM quarantine ORDER BY id',
  );
  for (const row of rows) {
    const envelope = String(row.envelope);
    const name = nameSetAside(envelope, row.body === null ? null : String(row.body));
    // Both this tablet and the unit may have set the same text aside.
    if (named.has(name)) continue;
    named.set(name, {
      name,
      kind: isFork(database, String(row.op_id), envelope) ? 'fork' : 'set-aside',
      op_id: String(row.op_id),
      record: /"record":"([^"]{1,120})"/.exec(envelope)?.[1] ?? '',
      sentence: String(row.sentence),
      received_ms: Number(row.found_ms),
    });
  }
  return [...named.values()];
}

/** Say whether another operation is held under the same id (LG4). */
function isFork(database: Database, opId: string, envelope: string): boolean {
  const [, device = '', epoch = '', counter = ''] = OP_ID.exec(opId) ?? [];
  const held = counter === '' ? null : heldHash(database, device, epoch, Number(counter));
  return held !== null && held !== bytesToHex(sha256(utf8ToBytes(envelope)));
}
