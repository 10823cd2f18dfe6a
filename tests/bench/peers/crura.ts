/** Our tablet in Node: the real store and the real exchange, over a database in memory. */
import { randomBytes } from 'node:crypto';
import { ExchangeClient } from '../../../pwa/src/network/exchange-client';
import { UnitRequests } from '../../../pwa/src/network/unit-requests';
import { packagedCatalogue } from '../../../pwa/src/record-catalogue/packaged-catalogue';
import { type MemoryDisk, openMemoryDisk } from '../../../pwa/src/storage/memory-database';
import { OperationStore } from '../../../pwa/src/storage/operation-store';
import { contentOf, idOf, serveLines, WHO } from './lines.mjs';

let disk: MemoryDisk;
let store: OperationStore;
let client: ExchangeClient;
let drawn = 0;

const who = { by: WHO.by, tappedBy: WHO.tapped_by };
const around = () => ({ wallMs: Date.now(), newSalt: () => randomBytes(16).toString('hex') });
const recordOf = (number: number) => `step_event/${idOf(number)}`;

await serveLines({
  async start({ address, code, name }: { address: string; code: string; name: string }) {
    disk = await openMemoryDisk();
    store = new OperationStore(disk.database, packagedCatalogue());
    const requests = new UnitRequests((path, init) => fetch(address + path, init));
    client = new ExchangeClient(store, requests, {
      nowMs: () => Date.now(),
      newEpoch: () => randomBytes(6).toString('hex'),
      newDeviceId: () => `bench-${name}`,
      onRecords: () => {},
      onStanding: () => {},
    });
    const joined = await client.join(code, name);
    if (joined.kind !== 'joined') throw new Error(joined.sentence);
  },
  fill({ first, count }: { first: number; count: number }) {
    for (let number = first; number < first + count; number++) {
      const draft = { draftId: `d${drawn++}`, record: recordOf(number), set: contentOf(number) };
      store.save([draft], who, around());
    }
  },
  edit({ first, count, outcome }: { first: number; count: number; outcome: string }) {
    for (let number = first; number < first + count; number++) {
      const record = recordOf(number);
      const [state] = store.read({ kind: 'step_event', record });
      const seen = state?.fields.outcome?.values.flatMap((held) => held.references) ?? [];
      const draft = { draftId: `d${drawn++}`, record, set: { outcome }, over: { outcome: seen } };
      store.save([draft], who, around());
    }
  },
  async sync() {
    const standing = await client.run();
    if (standing.state !== 'resting') throw new Error(`${standing.state}: ${standing.sentence}`);
  },
  count: () => ({ count: store.read({ kind: 'step_event' }).length }),
  /** Of so many records edited twice: how many show one value alone, how many keep one alone. */
  pairs({ first, count }: { first: number; count: number }) {
    let hidden = 0;
    let lost = 0;
    const states = new Map(store.read({ kind: 'step_event' }).map((one) => [one.record, one]));
    for (let number = first; number < first + count; number++) {
      const shown = states.get(recordOf(number))?.fields.outcome?.values.length ?? 0;
      if (shown < 2) {
        hidden++;
        lost++;
      }
    }
    return { hidden, lost };
  },
  size() {
    const [pages] = disk.database.select('PRAGMA page_count');
    const [page] = disk.database.select('PRAGMA page_size');
    return { bytes: Number(pages?.page_count) * Number(page?.page_size) };
  },
});
