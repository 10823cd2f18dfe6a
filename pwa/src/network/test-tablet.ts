/** A tablet in memory that exchanges with a `MemoryUnit`, for the tests alone. */
import type { Draft, ExchangeStanding } from '../ports';
import { packagedCatalogue } from '../record-catalogue/packaged-catalogue';
import { type MemoryDisk, openMemoryDisk } from '../storage/memory-database';
import { OperationStore } from '../storage/operation-store';
import { ExchangeClient } from './exchange-client';
import type { MemoryUnit } from './memory-unit';
import { UnitRequests } from './unit-requests';

const WHO = { by: 'staff/s-1', tappedBy: 'staff/s-1' };
const NOON = 1_790_000_000_000;

export class Tablet {
  readonly store: OperationStore;
  readonly client: ExchangeClient;
  readonly standings: ExchangeStanding[] = [];
  openCase = '';
  clockMs = NOON;
  #drawn = 0;

  /** @param mark - tells copies of one tablet apart: salts and epochs are drawn from it */
  constructor(
    readonly disk: MemoryDisk,
    unit: MemoryUnit,
    readonly name: string,
    readonly mark: string = name,
  ) {
    this.store = new OperationStore(disk.database, packagedCatalogue());
    let epochs = 0;
    this.client = new ExchangeClient(this.store, new UnitRequests(unit.fetch), {
      nowMs: () => this.clockMs,
      newEpoch: () => `${mark.slice(-1)}ep${++epochs}${this.store.tip().epoch.length}`,
      newDeviceId: () => name,
      openCase: () => this.openCase,
      onRecords: () => {},
      onStanding: (standing) => this.standings.push(standing),
    });
  }

  /** Save a puncture and return the reference of the entry. */
  save(record: string, stopUm: number, over: Draft['over'] = {}): string {
    this.#drawn++;
    const draft = {
      draftId: `${record}-${stopUm}`,
      record,
      set: { case: 'case/c-1', stop_um: stopUm },
      over,
    };
    const newSalt = () =>
      `${this.mark.charCodeAt(this.mark.length - 1)}${this.#drawn}`.padStart(32, '0');
    const circumstances = { wallMs: this.clockMs + this.#drawn, newSalt };
    return this.store.save([draft], WHO, circumstances).references[0] ?? '';
  }

  punctures(): unknown {
    return this.store.read({ kind: 'puncture' });
  }
}

/** A new tablet that has joined the unit. */
export async function joinedTablet(unit: MemoryUnit, name: string): Promise<Tablet> {
  const tablet = new Tablet(await openMemoryDisk(), unit, name);
  await tablet.client.join('GOOD', name);
  return tablet;
}
