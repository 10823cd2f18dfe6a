/**
 * The reader on pictures that are made here: turned, blurred, grey and noisy, as a hand holds a
 * package. What is read is compared as the rules take it, character by character.
 */
import { readFileSync } from 'node:fs';
import fc from 'fast-check';
import { beforeAll, expect, test } from 'vitest';
import { prepareZXingModule as prepareReader } from 'zxing-wasm/reader';
import { prepareZXingModule as prepareWriter, writeBarcode } from 'zxing-wasm/writer';
import { packagedRuleBook } from '../clinical-rules/packaged-rule-files';
import { readLabel } from '../state/read-label';
import { readPicture } from './label-reader';

const TODAY = '2026-11-25';
const BOOK = packagedRuleBook(TODAY);

const bytesOf = (name: string) => {
  const file = readFileSync(new URL(`../../node_modules/zxing-wasm/dist/${name}`, import.meta.url));
  return file.buffer.slice(file.byteOffset, file.byteOffset + file.byteLength) as ArrayBuffer;
};

beforeAll(() => {
  prepareReader({ overrides: { wasmBinary: bytesOf('reader/zxing_reader.wasm') } });
  prepareWriter({ overrides: { wasmBinary: bytesOf('writer/zxing_writer.wasm') } });
});

/** Brightness 0 to 255, row by row. */
interface Grey {
  width: number;
  height: number;
  at: (x: number, y: number) => number;
}

type Format = 'DataMatrix' | 'Code128' | 'Code39';

async function draw(text: string, format: Format, isGs1: boolean, scale: number): Promise<Grey> {
  const { symbol, error } = await writeBarcode(text, { format, options: isGs1 ? 'gs1' : '' });
  expect(error).toBe('');
  const margin = 10 * scale;
  const tall = format === 'DataMatrix' ? scale : 4;
  return {
    width: symbol.width * scale + 2 * margin,
    height: symbol.height * tall + 2 * margin,
    at: (x, y) => {
      const [column, row] = [Math.floor((x - margin) / scale), Math.floor((y - margin) / tall)];
      const isInside = column >= 0 && row >= 0 && column < symbol.width && row < symbol.height;
      return isInside ? (symbol.data[row * symbol.width + column] ?? 255) : 255;
    },
  };
}

interface View {
  /** Degrees. */
  turned: number;
  /** Width of the box that each pixel is the mean of. */
  blur: number;
  /** Brightness of black and of white. */
  dark: number;
  bright: number;
  noise: number;
}

const SHARP: View = { turned: 0, blur: 1, dark: 0, bright: 255, noise: 0 };

/** Return the picture as a camera would see it. */
function look(code: Grey, { turned, blur, dark, bright, noise }: View): ImageData {
  const side = Math.ceil(Math.hypot(code.width, code.height));
  const [sin, cos] = [Math.sin((turned * Math.PI) / 180), Math.cos((turned * Math.PI) / 180)];
  const plain = new Float64Array(side * side);
  for (let y = 0; y < side; y += 1) {
    for (let x = 0; x < side; x += 1) {
      const [dx, dy] = [x - side / 2, y - side / 2];
      plain[y * side + x] = code.at(
        dx * cos + dy * sin + code.width / 2,
        -dx * sin + dy * cos + code.height / 2,
      );
    }
  }
  const data = new Uint8ClampedArray(side * side * 4).fill(255);
  const reach = Math.floor(blur / 2);
  let seed = 1;
  for (let y = 0; y < side; y += 1) {
    for (let x = 0; x < side; x += 1) {
      let [sum, count] = [0, 0];
      for (let v = Math.max(0, y - reach); v <= Math.min(side - 1, y + reach); v += 1) {
        for (let u = Math.max(0, x - reach); u <= Math.min(side - 1, x + reach); u += 1) {
          sum += plain[v * side + u] ?? 255;
          count += 1;
        }
      }
      seed = (seed * 1_103_515_245 + 12_345) % 2_147_483_648;
      const rough = noise === 0 ? 0 : (seed % (2 * noise + 1)) - noise;
      const grey = dark + ((bright - dark) * sum) / count / 255 + rough;
      data.fill(grey, (y * side + x) * 4, (y * side + x) * 4 + 3);
    }
  }
  return { data, width: side, height: side, colorSpace: 'srgb' } as ImageData;
}

const GS1 = '(01)09521234543213(17)270200(10)AB-123(21)SN001';
const GS1_READ = {
  identifier: '09521234543213',
  lot: 'AB-123',
  serial: 'SN001',
  expiresOn: '2027-02-28',
  problems: [],
};
/** ANSI/HIBC 2.6, figures 1 and 3 (published), in one code; its check character by DL7. */
const HIBC = '+A123BJC5D6E71/$$52001510X3';

test.each([
  ['GS1 DataMatrix', GS1, 'DataMatrix', true, ']d2'],
  ['GS1-128', GS1, 'Code128', true, ']C1'],
] as const)('%s is read to its fields', async (_, text, format, isGs1, prefix) => {
  const [code] = await readPicture(look(await draw(text, format, isGs1, 4), SHARP));

  expect(code).toBe(`${prefix}01095212345432131727020010AB-123\u001d21SN001`);
  expect(readLabel([code ?? ''], TODAY, BOOK)).toMatchObject(GS1_READ);
});

/** Caught a planted bug: the extended mode of Code 39, which read "+A" as a small letter. */
test.each([
  ['DataMatrix', ']d1'],
  ['Code128', ']C0'],
  // The HIBC check character is that of Code 39 as well: the prefix says it was checked.
  ['Code39', ']A1'],
] as const)('HIBC in %s keeps its plus sign', async (format, prefix) => {
  const [code] = await readPicture(look(await draw('+A123BJC5D6E71G', format, false, 4), SHARP));

  expect(code).toBe(`${prefix}+A123BJC5D6E71G`);
  expect(readLabel([code ?? ''], TODAY, BOOK)).toMatchObject({
    identifier: 'A123BJC5D6E71',
    problems: [],
  });
});

test.each([0, 17, 45, 90, 133, 180, 270])('a DataMatrix turned by %d degrees', async (turned) => {
  const code = await draw(GS1, 'DataMatrix', true, 6);
  const seen = await readPicture(look(code, { turned, blur: 3, dark: 60, bright: 190, noise: 12 }));

  expect(readLabel(seen, TODAY, BOOK)).toMatchObject(GS1_READ);
});

test.each([0, 8, 90, 176])('a GS1-128 turned by %d degrees', async (turned) => {
  const code = await draw(GS1, 'Code128', true, 4);
  const seen = await readPicture(look(code, { turned, blur: 3, dark: 60, bright: 190, noise: 4 }));

  expect(readLabel(seen, TODAY, BOOK)).toMatchObject(GS1_READ);
});

test('what cannot be read is no code, never a wrong one', async () => {
  const code = await draw(GS1, 'DataMatrix', true, 4);
  const seen = await readPicture(look(code, { ...SHARP, blur: 15 }));

  expect(seen).toEqual([]);
});

/**
 * Whatever the lot: what is read is the lot that was drawn, or nothing. Caught a planted bug: the
 * text mode "HRI", in which brackets come before every field.
 */
test('a lot is read as it was drawn, at any angle', async () => {
  let read = 0;
  const sign = fc.constantFrom(...'0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ-./_');
  await fc.assert(
    fc.asyncProperty(
      fc.array(sign, { minLength: 1, maxLength: 20 }),
      fc.integer({ min: 0, max: 359 }),
      async (signs, turned) => {
        const lot = signs.join('');
        const code = await draw(`(01)09521234543213(10)${lot}`, 'DataMatrix', true, 5);
        const seen = await readPicture(look(code, { ...SHARP, turned, blur: 3 }));
        if (seen.length === 0) return;
        read += 1;
        expect(seen).toHaveLength(1);
        expect(readLabel(seen, TODAY, BOOK)).toMatchObject({ lot, problems: [] });
      },
    ),
    { numRuns: 25 },
  );
  // A camera sees the next picture a moment later; most are read from the first.
  expect(read).toBeGreaterThan(15);
});

test('a code that is no label is told from one that is', async () => {
  const [code] = await readPicture(look(await draw(HIBC.slice(1), 'Code128', false, 3), SHARP));

  expect(code?.startsWith(']C0A123')).toBe(true);
  expect(readLabel([code ?? ''], TODAY, BOOK).raw).toBe('');
});
