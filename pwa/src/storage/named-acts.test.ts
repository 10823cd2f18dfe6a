import fc from 'fast-check';
import { beforeAll, expect, test } from 'vitest';
import { packagedCatalogue } from '../record-catalogue/packaged-catalogue';
import { readBody } from '../sync/body';
import { tell } from '../told';
import { openMemoryDisk } from './memory-database';
import { OperationStore } from './operation-store';

let store: OperationStore;
let drawn = 0;
beforeAll(async () => {
  const disk = await openMemoryDisk();
  store = new OperationStore(disk.database, packagedCatalogue());
  store.becomeDevice(
    {
      device: 'tablet-a',
      role: 'bedside',
      token: 't',
      unitName: 'Unit',
      streams: ['care', 'booking', 'unit'],
    },
    'ep01',
  );
});
const circumstances = {
  wallMs: 1_790_000_000_000,
  newSalt: () => String(++drawn).padStart(32, '0'),
};

/** Caught a planted bug: the one who taps written in place of the one who answers. */
test('[HAZ-25] an entry is written with both people, or not at all', () => {
  const person = fc.constantFrom('', 'staff/s-1', 'staff/s-2');
  fc.assert(
    fc.property(person, person, (by, tappedBy) => {
      const before = store.ownOperations('ep01', 1, 1_000).length;
      const draft = {
        draftId: `d-${++drawn}`,
        record: 'puncture/p-1',
        set: { case: 'case/c-1', stop_um: 30_000 },
      };
      const save = () => store.save([draft], { by, tappedBy }, circumstances);
      if (by === '' || tappedBy === '') {
        expect(save).toThrow(tell('nobodyTaps'));
        expect(store.ownOperations('ep01', 1, 1_000)).toHaveLength(before);
        return;
      }
      save();
      const [, body] = store.ownOperations('ep01', 1, 1_000).at(-1) ?? [];
      expect(readBody(body ?? '', 'it')).toMatchObject({ by, tappedBy });
    }),
  );
});
