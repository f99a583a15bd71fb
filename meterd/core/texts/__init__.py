"""Sentences: findings in other languages, notifications, differences of plans, search by words.

Read `finding_translation`, `notification_digest`, `plan_diff`, `search`.
Imports the packages from `model` to `reports`.
"""
