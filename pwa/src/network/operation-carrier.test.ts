/** Rows and the long form: which is used when, and what becomes of rows that were changed. */
import { beforeEach, describe, expect, test } from 'vitest';
import { MemoryUnit } from './memory-unit';
import { joinedTablet, type Tablet } from './test-tablet';

let unit: MemoryUnit;
let a: Tablet;
let b: Tablet;
beforeEach(async () => {
  unit = new MemoryUnit();
  a = await joinedTablet(unit, 'tablet-a');
  b = await joinedTablet(unit, 'tablet-b');
});

function save(count: number): void {
  for (let number = 1; number <= count; number++) a.save(`puncture/p-${number}`, number);
}

describe('[EX18] old and new releases', () => {
  test('a unit that reads rows is sent rows and asked for rows', async () => {
    save(3);
    await a.client.run();
    await b.client.run();

    expect(new Set(unit.forms)).toEqual(new Set(['rows']));
    expect(unit.forms.length).toBeGreaterThan(1);
    expect(b.punctures()).toEqual(a.punctures());
  });

  /** Planted and caught: rows without waiting for the handshake's word. */
  test('a unit of an older release is sent the long form, and the record is the same', async () => {
    unit.rows = false;
    save(3);
    await a.client.run();
    await b.client.run();

    expect(new Set(unit.forms)).toEqual(new Set(['long']));
    expect(b.punctures()).toEqual(a.punctures());
  });

  test('a unit that is put back to an older release between two rounds is heard again', async () => {
    save(1);
    await a.client.run();
    unit.rows = false;
    a.save('puncture/p-9', 9);
    expect((await a.client.run()).state).toBe('resting');

    expect(unit.forms).toContain('long');
    expect(unit.received).toHaveLength(2);
  });
});

describe('[EX17] rows that are not what was sent', () => {
  /** Planted and caught: no second try, so that the whole queue stayed behind one bad entry. */
  test('an entry whose body changed on the tablet is set aside alone, the rest arrives', async () => {
    save(3);
    const held = a.store.ownLog.bind(a.store);
    a.store.ownLog = (...asked) =>
      held(...asked).map((one) => {
        if (one.counter !== 2) return one;
        return { ...one, bodyText: one.bodyText?.replace('stop_um', 'stop_xx') ?? null };
      });
    await a.client.run();
    a.save('puncture/p-4', 4);
    await a.client.run();
    await b.client.run();

    expect(unit.forms.slice(0, 2)).toEqual(['rows', 'long']);
    expect(unit.forms.filter((form) => form === 'long')).toHaveLength(1);
    expect(a.store.quarantined().count).toBe(1);
    expect(b.store.read({ kind: 'puncture' }).map((one) => one.record)).toEqual([
      'puncture/p-1',
      'puncture/p-3',
      'puncture/p-4',
    ]);
  });

  for (const [what, from, to] of [
    ['a body', '"stop_um\\":2', '"stop_um\\":7'],
    ['a record', 'puncture/p-3', 'puncture/p-8'],
    ['the end of the page', '"next":3', '"next":4'],
    ['whether there is more', '"more":false', '"more":true'],
  ] as const) {
    test(`a page in which ${what} was changed is asked for again, once`, async () => {
      save(3);
      await a.client.run();
      let changed = 0;
      unit.garble = (text) => {
        if (!text.includes('"rows":[') || changed > 0) return text;
        changed++;
        expect(text).toContain(from);
        return text.replace(from, to);
      };
      const before = unit.forms.length;
      await b.client.run();

      expect(unit.forms.slice(before)).toEqual(['rows', 'long']);
      expect(b.punctures()).toEqual(a.punctures());
      expect(b.store.cursors().care).toBe(3);
    });
  }

  test('an entry that cannot be read is set aside on the tablet alone', async () => {
    save(3);
    await a.client.run();
    unit.garble = (text) => text.replaceAll('"stop_um\\":2', '"stop_um\\":7');
    await b.client.run();

    expect(b.store.quarantined().count).toBe(1);
    expect(b.store.read({ kind: 'puncture' })).toHaveLength(2);
  });
});

test('[EX16] [EX10] what others wrote is offered in rows', async () => {
  save(3);
  await a.client.run();
  await b.client.run();
  unit.putBackTo(0);
  unit.server = 'server-2';
  const before = unit.forms.length;
  await b.client.run();

  expect(unit.resupplied).toHaveLength(3);
  expect(unit.forms.slice(before)).toContain('rows');
});
