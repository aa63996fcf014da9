// Where marks stay while the page is closed: the browser's database, else its small store, else nowhere, which is said.
// Written through to the disk before it counts as kept: a battery may die in the same minute.
//   atlas.markStore.open() → a promise of "database", "small" or "none"
//   all() → a promise of what is there, unchecked;  put(record), drop(id) → promises that fail where nothing was written
(function (atlas) {
  "use strict";
  if (!window.FIELD_ATLAS) { return; }
  const NAME = "field-atlas-marks", TABLE = "marks", PREFIX = "field-atlas-mark/", PROBE = "probe", OPEN_MS = 5000;
  let keeper = null;

  function openDatabase() {
    return new Promise(function (resolve, reject) {
      const request = window.indexedDB.open(NAME, 1);
      setTimeout(function () { reject(new Error("slow")); }, OPEN_MS);
      request.onupgradeneeded = function () { request.result.createObjectStore(TABLE, { keyPath: "id" }); };
      request.onsuccess = function () { resolve(request.result); };
      request.onerror = function () { reject(request.error); };
      request.onblocked = function () { reject(new Error("blocked")); };
    });
  }

  function inDatabase(db) {
    function change(act) {
      return new Promise(function (resolve, reject) {
        const t = db.transaction(TABLE, "readwrite", { durability: "strict" });
        t.oncomplete = function () { resolve(); };
        t.onabort = function () { reject(t.error || new Error("aborted")); };
        act(t.objectStore(TABLE));
      });
    }
    function all() {
      return new Promise(function (resolve, reject) {
        const request = db.transaction(TABLE).objectStore(TABLE).getAll();
        request.onsuccess = function () { resolve(request.result); };
        request.onerror = function () { reject(request.error); };
      });
    }
    db.onversionchange = function () { db.close(); };
    return {
      how: "database", all: all,
      put: function (record) { return change(function (table) { table.put(record); }); },
      drop: function (id) { return change(function (table) { table.delete(id); }); },
    };
  }

  // A browser may open its database and yet write nothing into it.
  function tried(found) {
    return found.put({ id: PROBE }).then(function () { return found.drop(PROBE); }).then(function () { return found; });
  }

  function inSmallStore() {
    const box = window.localStorage;
    function keys() { return Object.keys(box).filter(function (key) { return key.indexOf(PREFIX) === 0; }); }
    function read(key) {
      try { return JSON.parse(box.getItem(key)); } catch (e) { return null; }  // somebody else's
    }
    return {
      how: "small",
      all: function () { return Promise.resolve(keys().map(read)); },
      put: function (record) {
        return new Promise(function (resolve, reject) {
          const text = JSON.stringify(record);
          box.setItem(PREFIX + record.id, text);
          if (box.getItem(PREFIX + record.id) === text) { resolve(); } else { reject(new Error("refused")); }
        });
      },
      drop: function (id) { box.removeItem(PREFIX + id); return Promise.resolve(); },
    };
  }
  const nowhere = {
    how: "none",
    all: function () { return Promise.resolve([]); },
    put: function () { return Promise.reject(new Error("none")); },
    drop: function () { return Promise.resolve(); },
  };

  function small() { return Promise.resolve().then(inSmallStore).then(tried); }

  // What once had to go into the small store moves over as soon as there is a database.
  function movedIn(found) {
    return small().then(function (from) {
      return from.all().then(function (records) {
        return Promise.all(records.filter(function (r) { return r && r.id; }).map(function (r) {
          return found.put(r).then(function () { return from.drop(r.id); });
        }));
      });
    }).catch(function () {}).then(function () { return found; });
  }

  function open() {
    return openDatabase().then(inDatabase).then(tried).then(movedIn).catch(small).catch(function () { return nowhere; })
      .then(function (found) {
        keeper = found;
        const room = navigator.storage;
        if (found !== nowhere && room && room.persist) { room.persist().catch(function () {}); }
        return found.how;
      });
  }

  // A database that was closed meanwhile is opened once more.
  function put(record) {
    return keeper.put(record).catch(function (error) {
      if (error && error.name !== "InvalidStateError") { throw error; }
      return open().then(function () { return keeper.put(record); });
    });
  }

  atlas.markStore = {
    open: open, put: put,
    all: function () { return keeper.all(); },
    drop: function (id) { return keeper.drop(id); },
  };
})(window.fieldAtlas);
