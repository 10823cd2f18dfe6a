/** A new tablet from sealed segments: the same as by pulling alone, and never from unsound ones. */
import { gzipSync } from 'node:zlib';
import { sha256 } from '@noble/hashes/sha2.js';
import { bytesToHex } from '@noble/hashes/utils.js';
import { beforeAll, beforeEach, expect, test } from 'vitest';
import { packagedCatalogue } from '../record-catalogue/packaged-catalogue';
import { openMemoryDisk } from '../storage/memory-database';
import { OperationStore, type OwnDevice, type PulledRow } from '../storage/operation-store';
import { textBytes } from '../sync/canonical-text';
import { writeStamp } from '../sync/clock';
import { makeOperation, type Operation, writeEnvelope } from '../sync/operation';
import { takeSnapshots } from './snapshot-client';
import { UnitRequests } from './unit-requests';

const ALGORITHM = { name: 'ECDSA', namedCurve: 'P-256' };
const base64 = (bytes: ArrayBuffer) => btoa(String.fromCharCode(...new Uint8Array(bytes)));

/** Signs as a unit server. */
class SegmentSigner {
  private constructor(
    readonly pair: CryptoKeyPair,
    readonly publicKey: string,
  ) {}

  static async make(): Promise<SegmentSigner> {
    const pair = await crypto.subtle.generateKey(ALGORITHM, false, ['sign', 'verify']);
    return new SegmentSigner(pair, base64(await crypto.subtle.exportKey('spki', pair.publicKey)));
  }

  async sign(text: string): Promise<string> {
    const bytes = new Uint8Array(textBytes(text));
    return base64(
      await crypto.subtle.sign({ name: 'ECDSA', hash: 'SHA-256' }, this.pair.privateKey, bytes),
    );
  }
}

let signer: SegmentSigner;
beforeAll(async () => {
  signer = await SegmentSigner.make();
});

/** Answers for the segments of a unit alone. */
class SegmentUnit {
  readonly contents = new Map<string, Uint8Array<ArrayBuffer>>();
  readonly listed: Record<string, object[]> = { care: [], booking: [], unit: [] };
  asked: string[] = [];
  isDown = false;

  /** @param named - what is listed instead of the truth; what is signed stays true */
  async seal(
    stream: string,
    rows: readonly PulledRow[],
    named: Record<string, unknown> = {},
    by = signer,
  ): Promise<string> {
    const lines = rows.map((row) => `${JSON.stringify(row)}\n`).join('');
    const content = new Uint8Array(gzipSync(lines));
    const digest = bytesToHex(sha256(content));
    this.contents.set(digest, content);
    const [first, last] = [rows.at(0)?.[0], rows.at(-1)?.[0]];
    const after = (this.listed[stream]?.at(-1) as { last: number } | undefined)?.last ?? 0;
    const parts = [digest, stream, after, first, last, rows.length];
    const signature = await by.sign(['crura-segment', ...parts].join('\n'));
    const listed = { digest, stream, after, first, last, operations: rows.length, signature };
    this.listed[stream]?.push({ ...listed, ...named });
    return digest;
  }

  requests = new UnitRequests(async (path) => {
    this.asked.push(path);
    if (this.isDown) throw new TypeError('Failed to fetch');
    const url = new URL(path, 'http://unit.test');
    const stream = url.searchParams.get('stream');
    if (stream !== null) return Response.json({ segments: this.listed[stream] });
    const content = this.contents.get(url.pathname.split('/').at(-1) ?? '');
    return content ? new Response(content) : new Response('{"detail":"None."}', { status: 404 });
  });
}

function operations(count: number, from = 1, device = 'tablet-a'): Operation[] {
  let previous = '';
  return Array.from({ length: count }, (_, at) => {
    const operation = makeOperation({
      device,
      epoch: 'ep01',
      counter: at + 1,
      previous,
      stream: 'care',
      record: `puncture/p-${(at + from) % 7}`,
      stamp: writeStamp({ wallMs: 1_000 + at, counter: 0, device }),
      body: {
        salt: (at + from).toString(16).padStart(32, '0'),
        by: 'staff/s-1',
        tappedBy: 'staff/s-1',
        catalogue: 1,
        set: { case: 'case/c-1', stop_um: at },
        over: {},
        retract: [],
        because: '',
      },
    });
    previous = operation.hash;
    return operation;
  });
}

const rowsOf = (log: readonly Operation[]): PulledRow[] =>
  log.map((one, at) => [at * 2 + 1, writeEnvelope(one), one.bodyText] as const);

async function newTablet(): Promise<OperationStore> {
  const store = new OperationStore((await openMemoryDisk()).database, packagedCatalogue());
  const streams = ['care', 'booking', 'unit'];
  store.becomeDevice(
    {
      device: 'tablet-n',
      role: 'bedside',
      token: 't',
      unitName: '',
      streams,
      serverKey: signer.publicKey,
    },
    'epnn',
  );
  return store;
}

let unit: SegmentUnit;
let heard: string[][];
const around = { nowMs: () => 5_000, onRecords: (records: string[]) => heard.push(records) };
beforeEach(() => {
  unit = new SegmentUnit();
  heard = [];
});

/** The planted bug it has caught: the cursor set to the number of operations. */
test('[SN3] segments leave the same record and cursor as a pull', async () => {
  const rows = rowsOf(operations(30));
  await unit.seal('care', rows.slice(0, 20));
  await unit.seal('care', rows.slice(20));
  const [fresh, pulling] = [await newTablet(), await newTablet()];

  await takeSnapshots(fresh, unit.requests, around);

  pulling.applyPulled('care', rows, 59, 5_000);
  expect(fresh.read({ kind: 'puncture' })).toEqual(pulling.read({ kind: 'puncture' }));
  expect(fresh.cursors()).toEqual({ care: 59 });
  expect(fresh.database.select('SELECT * FROM operation ORDER BY seq')).toEqual(
    pulling.database.select('SELECT * FROM operation ORDER BY seq'),
  );
  expect(heard).toHaveLength(2);
});

test('[SN3] a segment that was taken in is not asked for again', async () => {
  await unit.seal('care', rowsOf(operations(3)));
  const fresh = await newTablet();
  await takeSnapshots(fresh, unit.requests, around);
  expect(unit.asked).toHaveLength(4);

  await takeSnapshots(fresh, unit.requests, around);

  expect(unit.asked).toHaveLength(7);
  expect(unit.asked.slice(4).every((path) => path.includes('?stream='))).toBe(true);
});

/** The planted bug it has caught: segments read again from the first. */
test('[SN3] after a broken line it goes on with the next segment', async () => {
  const rows = rowsOf(operations(30));
  const first = await unit.seal('care', rows.slice(0, 20));
  await unit.seal('care', rows.slice(20));
  const fresh = await newTablet();
  const breaking = {
    ...around,
    onRecords: () => {
      unit.isDown = true;
    },
  };
  await takeSnapshots(fresh, unit.requests, breaking);
  expect(fresh.cursors()).toEqual({ care: 39 });
  unit.isDown = false;
  unit.asked = [];

  await takeSnapshots(fresh, unit.requests, around);

  expect(fresh.cursors()).toEqual({ care: 59 });
  expect(unit.asked.some((path) => path.endsWith(first))).toBe(false);
});

/** The planted bug it has caught: the digest not compared. */
test('[SN4] a segment with a changed byte is left, those before it stay', async () => {
  const rows = rowsOf(operations(30));
  await unit.seal('care', rows.slice(0, 20));
  const second = await unit.seal('care', rows.slice(20));
  const changed = unit.contents.get(second) as Uint8Array;
  const place = changed.length - 12;
  changed[place] = (changed[place] ?? 0) ^ 1;
  const fresh = await newTablet();

  await takeSnapshots(fresh, unit.requests, around);

  expect(fresh.cursors()).toEqual({ care: 39 });
  expect(fresh.quarantined().count).toBe(0);
});

test.each([
  ['listed with another end', { last: 40 }],
  ['listed with another count', { operations: 2 }],
  ['listed with no count', { operations: 0 }],
  ['under an unknown name', { digest: '0'.repeat(64) }],
  ['without a signature', { signature: '' }],
  ['with a signature over nothing', { signature: btoa('x'.repeat(64)) }],
])('[SN4] a segment %s is left and the pull begins at nothing', async (_, named) => {
  await unit.seal('care', rowsOf(operations(3)), named);
  const fresh = await newTablet();

  await takeSnapshots(fresh, unit.requests, around);

  expect(fresh.cursors()).toEqual({});
});

test('[SN3] a forged body within a sound segment is set aside alone', async () => {
  const rows = rowsOf(operations(3)).map(([seq, envelope, body], at): PulledRow => {
    return [seq, envelope, at === 1 ? (body ?? '').replace('"stop_um":1', '"stop_um":9') : body];
  });
  await unit.seal('care', rows);
  const fresh = await newTablet();

  await takeSnapshots(fresh, unit.requests, around);

  expect(fresh.quarantined().count).toBe(1);
  expect(fresh.database.select('SELECT 1 FROM operation')).toHaveLength(2);
});

/** The planted bug it has caught: a tablet with a log of its own started from segments. */
test('[SN3] a tablet that has written pulls instead', async () => {
  await unit.seal('care', rowsOf(operations(3)));
  const worked = await newTablet();
  worked.save(
    [{ draftId: 'd-1', record: 'puncture/p-1', set: { case: 'case/c-1' } }],
    { by: 'staff/s-1', tappedBy: 'staff/s-1' },
    { wallMs: 1, newSalt: () => '0'.repeat(32) },
  );

  await takeSnapshots(worked, unit.requests, around);

  expect(unit.asked).toEqual([]);
});

/** The planted bug it has caught: the list believed without its signature. */
test('[SG10] [SN4] a segment that another key signed is left, those before it stay', async () => {
  const rows = rowsOf(operations(30));
  await unit.seal('care', rows.slice(0, 20));
  await unit.seal('care', rows.slice(20), {}, await SegmentSigner.make());
  const fresh = await newTablet();

  await takeSnapshots(fresh, unit.requests, around);

  expect(fresh.cursors()).toEqual({ care: 39 });
  expect(fresh.quarantined().count).toBe(0);
});

/** The planted bug it has caught: the second segment taken in, and the first never read. */
test('[SG10] [SN4] with a segment left out of the list the pull begins where it was', async () => {
  const rows = rowsOf(operations(30));
  await unit.seal('care', rows.slice(0, 20));
  await unit.seal('care', rows.slice(20));
  unit.listed.care = unit.listed.care?.slice(1) ?? [];
  const fresh = await newTablet();

  await takeSnapshots(fresh, unit.requests, around);

  expect(fresh.cursors()).toEqual({});
});

/** The planted bug it has caught: the stream taken from the list. */
test('[SG10] a segment that was signed for another stream is left', async () => {
  await unit.seal('booking', rowsOf(operations(3)));
  unit.listed.care = unit.listed.booking ?? [];
  unit.listed.booking = [];
  const fresh = await newTablet();

  await takeSnapshots(fresh, unit.requests, around);

  expect(fresh.cursors()).toEqual({});
});

test('[SG10] [SN4] a tablet that was told no key at joining pulls', async () => {
  await unit.seal('care', rowsOf(operations(3)));
  const fresh = await newTablet();
  const { serverKey: _, ...own } = fresh.ownDevice() as OwnDevice;
  fresh.becomeDevice(own, 'epnn');

  await takeSnapshots(fresh, unit.requests, around);

  expect(fresh.cursors()).toEqual({});
});
