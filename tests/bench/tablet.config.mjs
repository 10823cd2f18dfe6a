/** Builds our tablet side for Node into one file beside the packages it uses. Run from `pwa/`. */
import { fileURLToPath } from 'node:url';

const folder = (path) => fileURLToPath(new URL(path, import.meta.url));

export default {
  root: folder('../../pwa'),
  logLevel: 'error',
  publicDir: false,
  resolve: {
    alias: {
      '$clinical-data': folder('../../api/clinical_rules/data'),
      $catalogue: folder('../../api/record_catalogue'),
    },
  },
  build: {
    ssr: folder('./peers/crura.ts'),
    outDir: folder('../../pwa/node_modules/.bench'),
    emptyOutDir: true,
    target: 'node20',
    rollupOptions: { output: { entryFileNames: 'crura.mjs' } },
  },
};
