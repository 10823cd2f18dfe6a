/** The tablet's store keeps the contract of `tests/conformance/store`, as the server's does. */
import { readdirSync, readFileSync } from 'node:fs';
import { describe, expect, test } from 'vitest';
import { packagedCatalogue } from '../record-catalogue/packaged-catalogue';
import type { JsonContent } from '../sync/canonical-text';
import { writeStamp } from '../sync/clock';
import { makeOperation, type Operation, referenceOf, writeEnvelope } from '../sync/operation';
import { type MemoryDisk, openMemoryDisk } from './memory-database';
import { operationsFrom, operationsOfRecord } from './operation-rows';
import { OperationStore } from './operation-store';

interface Written {
  name: string;
  device: string;
  epoch?: string;
  record: string;
  stream: string;
  set?: Record<string, JsonContent>;
  over?: Record<string, string[]>;
  retract?: string[];
}
type Step =
  | { write: Written[] }
  | { write_again: Written[] }
  | { take_in: string[] }
  | { forge: string }
  | { restart: true }
  | { expect_tip: { device: string; epoch: string; name: string | null } }
  | { expect_held: { record: string; names: string[] } }
  | { expect_values: { record: string; field: string; values: JsonContent[] } }
  | { expect_conflicts: { record: string; field: string }[] }
  | { expect_entered_in_error: { record: string; is_entered_in_error: boolean } }
  | { expect_set_aside: string[] };

class Player {
  readonly #made = new Map<string, Operation>();
  readonly #tips = new Map<string, { counter: number; hash: string }>();
  #disk: MemoryDisk;
  #store: OperationStore;

  constructor(disk: MemoryDisk) {
    this.#disk = disk;
    this.#store = this.#open();
    this.#store.becomeDevice(
      { device: 'tablet-z', role: 'bedside', token: 't', unitName: '', streams: ['care'] },
      'epzz',
    );
  }

  #open(): OperationStore {
    return new OperationStore(this.#disk.database, packagedCatalogue());
  }

  #named(name: string): Operation {
    const found = this.#made.get(name);
    if (found === undefined) throw new Error(`no operation ${name}`);
    return found;
  }

  #write(part: Written, isAgain: boolean): void {
    const epoch = part.epoch ?? 'ep01';
    const log = `${part.device}.${epoch}`;
    const start = { counter: 0, hash: '' };
    const tip = isAgain ? start : (this.#tips.get(log) ?? start);
    const count = this.#made.size;
    const referTo = (name: string) => referenceOf(this.#named(name));
    const over = Object.entries(part.over ?? {}).map(([field, names]) => [
      field,
      names.map(referTo),
    ]);
    const operation = makeOperation({
      device: part.device,
      epoch,
      counter: tip.counter + 1,
      previous: tip.hash,
      stream: part.stream,
      record: part.record,
      stamp: writeStamp({ wallMs: 1_000 + count, counter: 0, device: part.device }),
      body: {
        salt: count.toString(16).padStart(32, '0'),
        by: 'staff/s-1',
        tappedBy: 'staff/s-1',
        catalogue: 1,
        set: part.set ?? {},
        over: Object.fromEntries(over),
        retract: (part.retract ?? []).map(referTo),
        because: '',
      },
    });
    this.#made.set(part.name, operation);
    if (!isAgain) this.#tips.set(log, operation);
  }

  #takeIn(operations: Operation[], change = (body: string) => body): void {
    const rows = operations.map(
      (one, place) => [place + 1, writeEnvelope(one), change(one.bodyText ?? '')] as const,
    );
    this.#store.applyPulled('care', rows, rows.length, 1_000);
  }

  play(step: Step): void {
    if ('write' in step) for (const part of step.write) this.#write(part, false);
    else if ('write_again' in step) for (const part of step.write_again) this.#write(part, true);
    else if ('take_in' in step) this.#takeIn(step.take_in.map((name) => this.#named(name)));
    else if ('forge' in step) {
      this.#takeIn([this.#named(step.forge)], (body) =>
        body.replace('"catalogue":1', '"catalogue":9'),
      );
    } else if ('restart' in step) {
      this.#disk = this.#disk.reopen();
      this.#store = this.#open();
    } else this.#expect(step);
  }

  #expect(step: Step): void {
    if ('expect_tip' in step) {
      const { device, epoch, name } = step.expect_tip;
      const log = operationsFrom(this.#disk.database, { device, epoch, counter: 1 }, 1_000);
      expect(log.at(-1)?.hash).toBe(name === null ? undefined : this.#named(name).hash);
    } else if ('expect_held' in step) {
      const { record, names } = step.expect_held;
      const held = operationsOfRecord(this.#disk.database, record);
      const texts = (list: Operation[]) =>
        list.map((one) => `${writeEnvelope(one)} ${one.bodyText}`).sort();
      expect(texts(held)).toEqual(texts(names.map((name) => this.#named(name))));
    } else if ('expect_values' in step) {
      const { record, field, values } = step.expect_values;
      const [state] = this.#store.read({ kind: record.split('/')[0] ?? '', record });
      expect(state?.fields[field]?.values.map((held) => held.value)).toEqual(values);
    } else if ('expect_conflicts' in step) {
      const found = this.#store.conflicts().map(({ record, field }) => ({ record, field }));
      expect(found).toEqual(step.expect_conflicts);
    } else if ('expect_entered_in_error' in step) {
      const { record, is_entered_in_error: wanted } = step.expect_entered_in_error;
      const [state] = this.#store.read({ kind: record.split('/')[0] ?? '', record });
      expect(state?.isEnteredInError).toBe(wanted);
    } else if ('expect_set_aside' in step) {
      const aside = this.#disk.database.select('SELECT envelope FROM quarantine ORDER BY id');
      const names = [...this.#made].map(([name, one]) => [writeEnvelope(one), name] as const);
      const byEnvelope = new Map(names);
      expect(aside.map((row) => byEnvelope.get(String(row.envelope)))).toEqual(
        step.expect_set_aside,
      );
    } else throw new Error(`unknown step ${JSON.stringify(step)}`);
  }
}

const folder = new URL('../../../tests/conformance/store/', import.meta.url);
for (const file of readdirSync(folder)) {
  const { cases } = JSON.parse(readFileSync(new URL(file, folder), 'utf8')) as {
    cases: { description: string; steps: Step[] }[];
  };
  describe(file, () => {
    for (const { description, steps } of cases) {
      test(description, async () => {
        const player = new Player(await openMemoryDisk());
        expect.hasAssertions();
        for (const step of steps) player.play(step);
      });
    }
  });
}
