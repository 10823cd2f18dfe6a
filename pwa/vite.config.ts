import { createHash } from 'node:crypto';
import { readdirSync, readFileSync } from 'node:fs';
import { fileURLToPath } from 'node:url';
import { svelte } from '@sveltejs/vite-plugin-svelte';
import type { Plugin } from 'vite';
import { VitePWA } from 'vite-plugin-pwa';
import { defineConfig } from 'vitest/config';
import { messagesPlugin } from './src/text/messages/plugin.ts';

const folder = (path: string) => fileURLToPath(new URL(path, import.meta.url));

/** Return a hash of everything that a build is made from, tests left out. */
function hashSources(): string {
  const hash = createHash('sha256');
  for (const root of ['src/', 'public/', '../api/clinical_rules/data/', '../api/record_catalogue/', '../api/documents/words/papers/']) {
    for (const name of readdirSync(folder(root), { recursive: true, encoding: 'utf8' }).sort()) {
      if (/\.(ts|js|svelte|css|sql|json|svg)$/.test(name) && !name.endsWith('.test.ts')) {
        hash.update(`${root}${name}\n`).update(readFileSync(folder(root + name)));
      }
    }
  }
  for (const name of ['index.html', 'vite.config.ts', 'package-lock.json']) {
    hash.update(`${name}\n`).update(readFileSync(folder(name)));
  }
  return hash.digest('hex').slice(0, 12);
}

const buildId = hashSources();

/** Puts the build id among the files, so that a page can ask which build is handed out (HAZ-27). */
const buildFile: Plugin = {
  name: 'crura-build-file',
  generateBundle() {
    this.emitFile({
      type: 'asset',
      fileName: 'build.json',
      source: JSON.stringify({ build: buildId }),
    });
  },
};

export default defineConfig({
  define: { __BUILD_ID__: JSON.stringify(buildId) },
  plugins: [
    // Element by element: the page's content security policy takes no markup (SEC-03).
    svelte({ compilerOptions: { fragments: 'tree' } }),
    messagesPlugin,
    buildFile,
    VitePWA({
      registerType: 'prompt',
      injectRegister: false,
      manifest: {
        name: 'Crura case companion',
        short_name: 'Crura',
        description: 'Case companion for EUS-guided treatment of gastric varices',
        start_url: '/',
        display: 'standalone',
        background_color: '#0E1215',
        theme_color: '#0E1215',
        icons: [
          { src: '/icon.svg', sizes: 'any', type: 'image/svg+xml', purpose: 'any' },
          { src: '/icon-maskable.svg', sizes: 'any', type: 'image/svg+xml', purpose: 'maskable' },
        ],
      },
      workbox: {
        globPatterns: ['**/*.{js,css,html,svg,wasm,webmanifest}', 'build.json'],
        // Parts of the SQLite bundle that the synchronous-handle pool never asks for.
        globIgnores: [
          '**/sqlite3-worker1*.js',
          '**/sqlite3-opfs-async-proxy*.js',
          'hold-build.js',
          // Fetched after the first start, into a cache of its own (device/label-reader-files.ts).
          '**/zxing_reader*.wasm',
          '**/zxing_writer*.wasm',
          // Charts are of counts that a server is asked for: whoever has these reaches it as well.
          '**/chart-library*.js',
        ],
        navigateFallback: '/index.html',
        navigateFallbackDenylist: [/^\/api\//, /^\/schema/],
        // Through a live case the build that it began with is handed out (HAZ-27).
        importScripts: ['/hold-build.js'],
        clientsClaim: true,
        maximumFileSizeToCacheInBytes: 4_000_000,
      },
    }),
  ],
  resolve: {
    alias: {
      '$clinical-data': folder('../api/clinical_rules/data'),
      $catalogue: folder('../api/record_catalogue'),
    },
  },
  server: { fs: { allow: ['..'] } },
  optimizeDeps: { exclude: ['@evolu/sqlite-wasm', 'zxing-wasm'] },
  worker: { format: 'es' },
  build: {
    target: 'es2022',
    outDir: '../api/static',
    emptyOutDir: true,
    rolldownOptions: {
      output: {
        codeSplitting: {
          groups: [
            {
              // A name to leave it out of the first install by.
              name: 'chart-library',
              test: /node_modules\/(@observablehq|d3|d3-[a-z-]+|internmap|delaunator|robust-predicates|interval-tree-1d|binary-search-bounds|isoformat)\//,
            },
          ],
        },
      },
    },
  },
  // Vitest leaves one core alone by itself: of two that would be half.
  // A busy machine fails no test: the time allowed is there to end what hangs.
  test: {
    include: ['src/**/*.test.ts'],
    environment: 'node',
    maxWorkers: '100%',
    testTimeout: 60_000,
    hookTimeout: 60_000,
  },
});
